// The sound of a song in parts: what sounds next comes first, and the mixer waits for what is not here.

import assert from "node:assert/strict";
import { test } from "node:test";

import { Loading, parted } from "../../retune/faces/web/assets/loading.js";

globalThis.AudioWorkletProcessor = class {
  port = { posted: [], postMessage: (message) => this.port.posted.push(message) };
};
globalThis.registerProcessor = (_name, made) => {
  globalThis.Mixer = made;
};
Object.assign(globalThis, { sampleRate: 1000, currentTime: 0, currentFrame: 0 });
await import("../../retune/comparison/assets/mixer.js");

const RATE = 1000;
const SIZE = 4 * RATE;

function loading(lengths, place) {
  const asked = [];
  const taken = [];
  const stems = lengths.map((nSamples, index) => ({
    nSamples,
    nChannels: 1,
    read: async (first, last) => {
      asked.push([index, first]);
      return new Float32Array(last - first).fill(1);
    },
  }));
  const made = new Loading({ rateHz: RATE, stems, place, ontake: (...part) => taken.push(part) });
  return { made, asked, taken };
}

test("frames are parted into channels", () => {
  assert.deepEqual(parted(new Float32Array([1, 2, 3, 4, 5, 6]), 2), [
    new Float32Array([1, 3, 5]),
    new Float32Array([2, 4, 6]),
  ]);
});

test("every sample of stems of unlike lengths comes once", async () => {
  const lengths = [10_500, 4000, 1];
  const { made, taken } = loading(lengths, () => 0);
  await made.run();
  lengths.forEach((length, index) => {
    const parts = taken.filter(([which]) => which === index);
    assert.equal(
      parts.reduce((sum, [, , [channel]]) => sum + channel.length, 0),
      length,
    );
    parts.forEach(([, at], k) => assert.equal(at, k * SIZE));
  });
  assert.equal(made.next(), -1);
});

test("what sounds next comes before what lies before it", async () => {
  let place = 9;
  const { made, asked } = loading([20_000], () => place);
  const reached = made.reach(9);
  await reached;
  assert.equal(asked[0][1], 2 * SIZE);
  assert.ok(asked.length <= 2);
  place = 0;
  await made.reach(18);
  assert.ok(made.has(0));
});

test("a fault reaches who waits, and another try may succeed", async () => {
  const { made } = loading([9000], () => 0);
  const [stem] = made.stems;
  const read = stem.read;
  stem.read = async () => {
    throw new Error("the take changed");
  };
  await assert.rejects(made.reach(0), /the take changed/);
  stem.read = read;
  await made.reach(0);
});

/** What a mixer with one stem of ones gives in `blocks` of 128 samples. */
function heard(mixer, blocks) {
  return Array.from({ length: blocks }, () => {
    const out = [new Float32Array(128), new Float32Array(128)];
    mixer.process([], [out]);
    return [...out[0]];
  }).flat();
}

function mixerWith(parts) {
  const mixer = new globalThis.Mixer();
  mixer.told({ do: "parts", size: SIZE, count: 3 });
  mixer.told({
    do: "stem",
    index: 0,
    gain: 1,
    summed: true,
    version: null,
    nSamples: 3 * SIZE,
    nChannels: 1,
  });
  const give = (part) => {
    mixer.told({ do: "part", index: 0, at: part * SIZE, channels: [new Float32Array(SIZE).fill(1)] });
    mixer.told({ do: "here", part });
  };
  parts.forEach(give);
  return { mixer, give };
}

test("the mixer stops softly before a part that is not here, and goes on when it comes", () => {
  const { mixer, give } = mixerWith([0]);
  mixer.told({ do: "play", at: 0, jump: 1 });
  const first = heard(mixer, 40);
  const whole = first.filter((x) => x === 1).length;
  assert.ok(whole > SIZE - 200 && whole <= SIZE);
  assert.equal(first.at(-1), 0);
  assert.equal(mixer.starved, true);
  const steps = first.slice(1).map((x, k) => Math.abs(x - first[k]));
  assert.ok(Math.max(...steps) <= 0.21); // a gate of 5 ms has 5 samples at this rate
  give(1);
  const then = heard(mixer, 10);
  assert.equal(then.at(-1), 1);
  assert.ok(mixer.at < SIZE + 11 * 128);
});

test("a mixer that waits can be paused, moved and played from elsewhere", () => {
  const { mixer } = mixerWith([2]);
  mixer.told({ do: "play", at: 0, jump: 1 });
  assert.ok(heard(mixer, 4).every((x) => x === 0));
  mixer.told({ do: "pause" });
  heard(mixer, 1);
  assert.equal(mixer.playing, false);
  mixer.told({ do: "play", at: 2 * SIZE, jump: 2 });
  assert.equal(heard(mixer, 2).at(-1), 1);
});

test("the end of the last part is the end of the song", () => {
  const { mixer } = mixerWith([0, 1, 2]);
  mixer.told({ do: "play", at: 3 * SIZE - 300, jump: 1 });
  assert.equal(heard(mixer, 5).filter((x) => x === 1).length, 300 - 2 * 4);
  assert.equal(mixer.playing, false);
});
