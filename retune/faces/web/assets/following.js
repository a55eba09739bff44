// The player of the workbench: fetches the stems once, keeps what sounds in step with the rules.

import { getBytes, post, postForBytes, unpack } from "./api.js";
import { Player, decode } from "./player.js";

export const VERSIONS = ["original", "variant", "matched-control", "other"];
const ofEach = (make) => Object.fromEntries(VERSIONS.map((name) => [name, make()]));
const asked = (kind) => (kind === "other" ? "variant" : kind);

function soundOf(song) {
  return song.sound.map((stem) => ({
    gain: 10 ** (stem.gain_db / 20),
    summed: stem.summed,
    load: async () =>
      decode(await getBytes(`stem?name=${encodeURIComponent(stem.name)}`), {
        rateHz: song.rate_hz,
        nChannels: stem.channels,
      }),
  }));
}

export class FollowingPlayer extends Player {
  constructor(song) {
    super({ rateHz: song.rate_hz, versions: VERSIONS, sound: soundOf(song), mixerUrl: "/assets/mixer.js" });
    this.song = song;
    this.pieces = new Map(); // key -> { stem, patches }
    this.keys = ofEach(() => []);
    this.runs = ofEach(() => 0);
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
