// The player of the workbench: fetches the stems once, keeps what sounds in step with the rules.

import { getBytes, post, postForBytes, unpack } from "./api.js";
import { Loading } from "./loading.js";
import { Player } from "./player.js";

export const VERSIONS = ["original", "variant", "matched-control", "other"];
const ofEach = (make) => Object.fromEntries(VERSIONS.map((name) => [name, make()]));
const asked = (kind) => (kind === "other" ? "variant" : kind);

const soundOf = (song) =>
  song.sound.map((stem) => ({ gain: 10 ** (stem.gain_db / 20), summed: stem.summed }));

const partsOf = (song) =>
  song.sound.map(({ name, channels, n_samples: nSamples, head_bytes: head }) => ({
    nSamples,
    nChannels: channels,
    read: async (first, last) => {
      const at = (sample) => head + 4 * channels * sample;
      const range = { range: `bytes=${at(first)}-${at(last) - 1}` };
      return new Float32Array(await getBytes(`stem?name=${encodeURIComponent(name)}`, range));
    },
  }));

export class FollowingPlayer extends Player {
  constructor(song) {
    super({ rateHz: song.rate_hz, versions: VERSIONS, sound: soundOf(song), mixerUrl: "/assets/mixer.js" });
    this.song = song;
    this.pieces = new Map(); // key -> { stem, patches }
    this.keys = ofEach(() => []);
    this.runs = ofEach(() => 0);
    this.asked = null; // the second from which somebody waits for sound
    this.early = []; // parts that came before the mixer was built
    this.loading = new Loading({
      rateHz: song.rate_hz,
      stems: partsOf(song),
      place: () => this.asked ?? this.now(),
      ontake: (index, at, channels) => this.take(index, at, channels),
      onpart: (part) => this.arrived(part),
    });
  }

  // --- the stems, part by part ----------------------------------------------------------------

  preload() {
    this.loading.run();
  }

  /** The mixer is told of every stem, and what of it is here; the rest comes by and by. */
  async fill() {
    this.tell({ do: "parts", size: this.loading.size, count: this.loading.here.length });
    this.sound.forEach(({ gain, summed }, index) => {
      const { nSamples, nChannels } = this.loading.stems[index];
      this.tell({ do: "stem", index, gain, summed, version: null, nSamples, nChannels });
    });
    this.early.splice(0).forEach((part) => this.give(part));
    this.loading.here.forEach((isHere, part) => isHere && this.mark(part));
    this.tellAll();
  }

  take(index, at, channels) {
    if (this.node) this.give({ index, at, channels });
    else this.early.push({ index, at, channels });
  }

  give({ index, at, channels }) {
    this.tell(
      { do: "part", index, at, channels },
      channels.map((c) => c.buffer),
    );
  }

  mark(part) {
    this.tell({ do: "here", part });
  }

  arrived(part) {
    if (part >= 0) this.mark(part);
    const of = this.sound.length;
    if (this.asked !== null || this.starved) this.onload(part < 0 ? this.loading.came : of, of);
  }

  /** Resolves when the sound can begin at a second; meanwhile `onload` says how far it is. */
  async reach(second) {
    if (this.loading.has(second)) return;
    this.asked = second;
    this.onload(0, this.sound.length);
    try {
      await this.loading.reach(second);
    } finally {
      this.asked = null;
      this.onload(this.sound.length, this.sound.length);
    }
  }

  close() {
    this.loading.close();
    super.close();
  }

  /** Fetches the changed spans of the rules, those that sound next first; only those that are
   *  not here already travel, and each answer is heard at once. Resolves when all are here. */
  async follow(kind, rules, signal) {
    const started = (this.runs[kind] += 1);
    for (;;) {
      const known = [...this.pieces.keys()];
      const got = unpack(
        await postForBytes("sound", { rules, kind: asked(kind), known, from_s: this.now() }, signal),
      );
      for (const piece of got.pieces) {
        if (piece.patches) this.pieces.set(piece.key, piece);
      }
      this.keys[kind] = got.pieces.map((piece) => piece.key);
      this.sendVersion(kind);
      if (got.whole || started !== this.runs[kind]) {
        this.forget();
        return got;
      }
    }
  }

  forget() {
    const wanted = new Set(Object.values(this.keys).flat());
    const spare = [...this.pieces.keys()].filter((key) => !wanted.has(key));
    for (const key of spare.slice(0, Math.max(0, this.pieces.size - 400))) this.pieces.delete(key);
  }

  async level(kind, rules, signal) {
    const got = await post("levels", { rules, kind: asked(kind) }, signal);
    this.setGain("original", { matched: got.original_db });
    this.setGain(kind, { matched: got.version_db, short: got.short_by_db });
    return got;
  }

  patchesOf(name) {
    return this.keys[name].flatMap((key) => {
      const piece = this.pieces.get(key);
      const stem = this.song.sound.findIndex((sound) => sound.name === piece.stem);
      return piece.patches.map((patch) => ({ stem, start: patch.start, channels: patch.channels }));
    });
  }
}
