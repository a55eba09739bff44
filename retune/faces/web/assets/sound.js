// The player: fetches the stems once, keeps what the mixer holds in step with the rules.

import { getBytes, postForBytes, post, unpack } from "./api.js";

export const VERSIONS = ["original", "variant", "matched-control", "other"];
const ofEach = (make) => Object.fromEntries(VERSIONS.map((name) => [name, make()]));
const HEARD_BEGINS = -24;
const BEGIN_MS = 4000;
const asked = (kind) => (kind === "other" ? "variant" : kind);

export class Player {
  constructor(song) {
    this.song = song;
    this.ctx = null;
    this.node = null;
    this.ready = null;
    this.position = 0;
    this.stamp = 0;
    this.jump = 0;                // number of the last jump asked for
    this.playing = false;
    this.peak = 0;
    this.chosen = "original";
    this.last = "variant";
    this.loop = null;
    this.matched = true;
    this.volumeDb = HEARD_BEGINS;
    this.gainsDb = ofEach(() => 0);
    this.pieces = new Map();      // key -> { stem, patches }
    this.keys = ofEach(() => []);
    this.onstate = () => {};
    this.onfault = () => {};
    this.runs = ofEach(() => 0);
    this.asks = new Map();
    this.number = 0;
  }

  /** Builds the graph; called on the first play, since a page may not sound before a gesture. */
  async build(ctx = new AudioContext({ sampleRate: this.song.rate_hz })) {
    this.ctx = ctx;
    await ctx.audioWorklet.addModule("/assets/mixer.js");
    this.node = new AudioWorkletNode(ctx, "retune-mixer", {
      numberOfInputs: 0, numberOfOutputs: 1, outputChannelCount: [2],
    });
    this.node.port.onmessage = (event) => this.heard(event.data);
    this.volume = ctx.createGain();
    this.volume.gain.value = 10 ** (this.volumeDb / 20);
    this.analyser = ctx.createAnalyser();
    this.analyser.fftSize = 8192;
    this.node.connect(this.volume).connect(this.analyser).connect(ctx.destination);
    await this.fill();
  }

  /** Begins to fetch and decode before the first play; a stem that fails is told at play. */
  preload() {
    this.decoded ??= this.song.sound.map((stem) => this.decode(stem));
    this.decoded.forEach((stem) => stem?.catch(() => {}));
  }

  /** Hands every stem to the mixer at the file's own rate, so nothing is resampled. */
  async fill() {
    this.preload();
    let done = 0;
    this.onload?.(done, this.song.sound.length);
    await Promise.all(this.song.sound.map(async (stem, index) => {
      const channels = (await this.decoded[index]).map((channel) => channel.slice());
      this.decoded[index] = null;   // a long song is not held twice
      this.node.port.postMessage({ do: "stem", index, gain: 10 ** (stem.gain_db / 20), channels, summed: stem.summed },
        channels.map((channel) => channel.buffer));
      done += 1;
      this.onload?.(done, this.song.sound.length);
    }));
    this.decoded = null;
    for (const name of VERSIONS) this.sendVersion(name);
    this.node.port.postMessage({ do: "choose", name: this.chosen });
    this.node.port.postMessage({ do: "loop", span: this.loop });
    if (this.solo) this.node.port.postMessage({ do: "heard", heard: this.solo });
  }

  async decode(stem) {
    const bytes = await getBytes(`stem?name=${encodeURIComponent(stem.name)}`);
    const offline = new OfflineAudioContext(stem.channels, 1, this.song.rate_hz);
    const buffer = await offline.decodeAudioData(bytes);
    return Array.from({ length: buffer.numberOfChannels }, (_, c) => buffer.getChannelData(c));
  }

  heard(message) {
    if (message.answer) {
      this.asks.get(message.answer)?.(message.frame);
      this.asks.delete(message.answer);
    } else if (message.jump !== this.jump) {
      // From before the last jump: where the sound was then.
    } else if (message.ended) {
      this.playing = false;
      this.position = 0;
      this.onstate();
    } else {
      this.position = message.at / this.song.rate_hz;
      this.stamp = message.time;
      this.peak = Math.max(this.peak, message.peak);
      this.sounding = message.playing ? message.name : "";
    }
  }

  /** Resolves once the mixer has acted on everything sent before. */
  settled() {
    if (!this.node) return Promise.resolve(0);
    this.number += 1;
    return new Promise((resolve) => {
      this.asks.set(this.number, resolve);
      this.node.port.postMessage({ do: "nothing", ask: this.number });
    });
  }

  /** Seconds of the song that leave the loudspeaker now. */
  now() {
    if (!this.playing || !this.ctx) return this.position;
    const lag = this.ctx.outputLatency || this.ctx.baseLatency || 0;
    let at = this.position + this.ctx.currentTime - this.stamp - lag;
    if (this.loop) {
      const [a, b] = this.loop.map((n) => n / this.song.rate_hz);
      if (at >= b && this.position <= b) at = a + ((at - a) % (b - a));
      if (at < a && this.position >= a && this.position - at < 0.5) at = this.position;
    }
    return Math.max(0, at);
  }

  /** Whether sound begins to flow; some browsers wait without end where there is no output. */
  async begun() {
    return Promise.race([
      this.ctx.resume().then(() => true),
      new Promise((done) => { setTimeout(done, BEGIN_MS, false); }),
    ]);
  }

  async play(at) {
    this.ready ??= this.build();
    try {
      await this.ready;
    } catch (error) {
      this.ready = null;
      this.onfault(error);
      return;
    }
    if (!(await this.begun())) {
      this.onfault(new Error("no sound output answers. Connect one, then load this page again."));
      return;
    }
    this.playing = true;
    this.seek(at);
    this.onstate();
  }

  pause() {
    this.position = this.now();
    this.playing = false;
    this.node?.port.postMessage({ do: "pause" });
    this.onstate();
  }

  seek(at) {
    this.position = at;
    if (this.ctx) this.stamp = this.ctx.currentTime;
    this.jump += 1;
    this.node?.port.postMessage({
      do: this.playing ? "play" : "seek", at: Math.round(at * this.song.rate_hz), jump: this.jump,
    });
  }

  choose(name) {
    if (name === this.chosen) return;
    this.last = this.chosen;
    this.chosen = name;
    this.node?.port.postMessage({ do: "choose", name });
    this.onstate();
  }

  setLoop(span) {
    this.loop = span && span.map((s) => Math.round(s * this.song.rate_hz));
    this.node?.port.postMessage({ do: "loop", span: this.loop });
  }

  setHeard(heard) {
    this.solo = heard;
    this.node?.port.postMessage({ do: "heard", heard });
  }

  setVolume(db) {
    this.volumeDb = db;
    if (!this.ctx) return;
    const gain = db <= -60 ? 0 : 10 ** (db / 20);
    this.volume.gain.setTargetAtTime(gain, this.ctx.currentTime, 0.01);
  }

  setMatched(matched) {
    this.matched = matched;
    VERSIONS.forEach((name) => this.sendVersion(name));
  }

  /** Fetches the changed spans of the rules, those that sound next first; only those that are
   *  not here already travel, and each answer is heard at once. Resolves when all are here. */
  async follow(kind, rules, signal) {
    const started = (this.runs[kind] += 1);
    for (;;) {
      const known = [...this.pieces.keys()];
      const got = unpack(await postForBytes("sound", { rules, kind: asked(kind), known, from_s: this.now() }, signal));
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
    this.gainsDb.original = got.original_db;
    this.gainsDb[kind] = got.version_db;
    this.sendVersion("original");
    this.sendVersion(kind);
    return got;
  }

  sendVersion(name) {
    if (!this.node) return;
    const patches = this.keys[name].flatMap((key) => {
      const piece = this.pieces.get(key);
      const stem = this.song.sound.findIndex((sound) => sound.name === piece.stem);
      return piece.patches.map((patch) => ({ stem, start: patch.start, channels: patch.channels }));
    });
    const gain = this.matched ? 10 ** (this.gainsDb[name] / 20) : 1;
    this.node.port.postMessage({ do: "version", name, gain, patches });
  }

  close() {
    this.ctx?.close();
  }
}
