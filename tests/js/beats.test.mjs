// Readings of the bars, clicks on them and taps: closed forms.
import assert from "node:assert/strict";
import { test } from "node:test";
import {
  beatAt,
  beatsIn,
  beatsOf,
  beatsPerBar,
  factsOf,
  factsOfTaps,
  isNewClick,
  rivalsOf,
  tapped,
  upcoming,
} from "../../retune/faces/web/assets/beats.js";

const even = (first, step, count) => Array.from({ length: count }, (_, k) => first + k * step);
const bars = (meter, first, bar_s, count) => ({
  meter,
  tempo_bpm: (60 * beatsPerBar(meter)) / bar_s,
  downbeats_s: even(first, bar_s, count),
  rivals: [],
});
const near = (a, b) => {
  assert.equal(a.length, b.length);
  a.forEach((value, k) => assert.ok(Math.abs(value - b[k]) < 1e-9, `${k}: ${value} for ${b[k]}`));
};
const times = (beats) => beats.map(({ at_s }) => at_s);
const named = (rows, name) => rows.find((row) => row.name === name);

test("beats fill the bars and the pickup, the higher click on each downbeat", () => {
  const beats = beatsOf(bars("3/4", 1.0, 1.5, 3));
  near(times(beats), even(0, 0.5, 9));
  assert.deepEqual(beats.map(({ isDown }) => isDown).map(Number), [0, 0, 1, 0, 0, 1, 0, 0, 1]);
});

test("six eight has two beats a bar, and beats follow bars that slow down", () => {
  assert.equal(beatsPerBar("6/8"), 2);
  near(times(beatsOf({ meter: "2/4", downbeats_s: [0, 1, 3] })), [0, 0.5, 1, 2, 3]);
});

test("each bar has the beats of its own meter, at the times that are told", () => {
  const meters = [
    { bar: 1, meter: "3/4" },
    { bar: 2, meter: "4/4" },
    { bar: 3, meter: "6/8" },
  ];
  const song = { meter: "3/4", meters, downbeats_s: [1, 4, 8, 11], rivals: [] };
  assert.deepEqual(
    [1, 2, 3, 9].map((bar) => beatsIn(song, bar)),
    [3, 4, 2, 2],
  );
  near(times(beatsOf(song)), [0, 1, 2, 3, 4, 5, 6, 7, 8, 9.5, 11]);
  const told = { ...song, beats_s: [1, 2, 3.5, 4, 5, 6, 7, 8, 9.5, 11] };
  near(times(beatsOf(told)), [0, 1, 2, 3.5, 4, 5, 6, 7, 8, 9.5, 11]);
  assert.deepEqual(beatsOf(told).filter(({ isDown }) => isDown).length, 4);
  near(
    [1, 2.75, 8.75, 12.5].map((at_s) => beatAt(told, at_s)),
    [0, 1.5, 7.5, 10],
  );
  assert.equal(beatAt({ meter: "3/4", downbeats_s: [] }, 1), null);
  assert.deepEqual(rivalsOf(told), []);
});

test("each rival by reckoning has the tempo and the downbeats that its name says", () => {
  const rows = rivalsOf(bars("4/4", 0.5, 2, 7));
  near(named(rows, "twice as fast").downbeats_s, even(0.5, 1, 13));
  assert.equal(named(rows, "twice as fast").tempo_bpm, 240);
  near(named(rows, "half as fast").downbeats_s, even(0.5, 4, 4));
  assert.equal(named(rows, "half as fast").tempo_bpm, 60);
  near(named(rows, "in three").downbeats_s, even(0.5, 1.5, 9));
  assert.deepEqual([named(rows, "in three").meter, named(rows, "in three").tempo_bpm], ["3/4", 120]);
  near(named(rows, "begins one beat later").downbeats_s, even(1.0, 2, 6));
  assert.equal(named(rows, "in four"), undefined);
});

test("a rival that was heard stands first and takes the place of the one by reckoning", () => {
  const heard = { name: "in three", meter: "3/4", tempo_bpm: 121, downbeats_s: [0.6, 2.1], confidence: 0.3 };
  const rows = rivalsOf({ ...bars("4/4", 0.5, 2, 7), rivals: [heard] });
  assert.equal(rows[0], heard);
  assert.equal(rows.filter(({ name }) => name === "in three").length, 1);
  assert.deepEqual(rivalsOf({ meter: "4/4", downbeats_s: [] }), []);
});

test("a reading is set as meter and downbeats", () => {
  assert.deepEqual(factsOf({ meter: "3/4", downbeats_s: [0.5, 2.12345] }), [
    { name: "meter", value: "3/4" },
    { name: "downbeats_s", value: "[0.500, 2.123]" },
  ]);
});

test("clicks to come: each beat once, and around the seam of a loop", () => {
  const beats = beatsOf(bars("4/4", 0, 2, 5));
  near(
    upcoming(beats, 0.9, 0.7).map(({ in_s }) => in_s),
    [0.1, 0.6],
  );
  near(
    upcoming(beats, 1.9, 0.7, [1.0, 2.0]).map(({ in_s }) => in_s),
    [0.1, 0.6],
  );
  near(times(upcoming(beats, 1.9, 0.7, [1.0, 2.0])), [1.0, 1.5]);
  near(times(upcoming(beats, 2.4, 0.2, [1.0, 2.0])), [2.5]); // past the loop it is not kept in
  assert.ok(isNewClick(1.0, -Infinity) && !isNewClick(1.01, 1.0) && isNewClick(1.5, 1.0));
});

test("four taps tell tempo and bars, the first a downbeat; three tell nothing", () => {
  const asked = { meter: "3/4", end_s: 20 };
  assert.equal(tapped([4, 4.5, 5], asked), null);
  const found = tapped([4.1, 4.6, 5.12, 5.6, 6.1], asked);
  assert.ok(Math.abs(found.tempo_bpm - 120) < 1e-6);
  assert.ok(found.downbeats_s.some((t) => Math.abs(t - 4.1) < 1e-9));
  assert.ok(found.downbeats_s[0] >= 0 && found.downbeats_s[0] < 1.5);
  assert.ok(found.downbeats_s[found.downbeats_s.length - 1] >= 20);
  const [, tempo, first] = factsOfTaps(found);
  assert.equal(tempo.value, "120.00");
  assert.equal(first.value, "1.100");
});

test("one tap left out does not halve the tempo", () => {
  const found = tapped([0, 0.5, 1, 2, 2.5, 3], { meter: "4/4", end_s: 9 });
  assert.ok(Math.abs(found.tempo_bpm - 120) < 1e-6);
});

test("taps near the beats of a reading take its beats, which follow the recording", () => {
  const slowing = { meter: "4/4", downbeats_s: [0, 2, 4.1, 6.3], confidence: 0.4 };
  const found = tapped([2.53, 3.01, 3.56, 4.12], { meter: "4/4", end_s: 7, readings: [slowing] });
  assert.ok(found.follows);
  near(found.downbeats_s, [0.5, 2.525, 4.65]);
  const far = tapped([2.53, 2.93, 3.33, 3.73], { meter: "4/4", end_s: 7, readings: [slowing] });
  assert.equal(far.follows, false);
});
