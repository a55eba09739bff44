// The player: one clock for all versions. The mixer adds them up; this tells it what and when.

const BEGIN_MS = 4000;
const HEARD_BEGINS_DB = -24;
const SILENT_DB = -60;

export const NO_OUTPUT = "No sound output answers. Connect one, then load this page again.";
export const NO_DECODER =
  "This browser cannot decode the sound. Open the page in another or a newer one, or make it with --format flac.";

const linear = (db) => 10 ** (db / 20);

/** Channels of an encoded file, at `rateHz`, so that nothing is resampled. */
export async function decode(bytes, { rateHz, nChannels = 1 }) {
  const offline = new OfflineAudioContext(nChannels, 1, rateHz);
  const buffer = await offline.decodeAudioData(bytes).catch(() => {
    throw new Error(NO_DECODER);
  });
  return Array.from({ length: buffer.numberOfChannels }, (_, c) => buffer.getChannelData(c));
}

/** A version told by its changed spans: the original's channels at another gain, and each span,
 * { at, rise: [a, b], fall: [c, d], channels }, blended in from its sample a to b, out from c to d. */
export function splice(original, gain, spans) {
  return original.map((channel, c) => {
    const out = channel.map((x) => gain * x);
    spans.forEach(({ at, rise, fall, channels }) => {
      const piece = channels[c].subarray(0, Math.min(fall[1], out.length - at));
      for (let i = rise[0]; i < piece.length; i += 1) {
        const up = i < rise[1] ? (i - rise[0]) / (rise[1] - rise[0]) : 1;
        const down = i >= fall[0] ? (fall[1] - i) / (fall[1] - fall[0]) : 1;
        out[at + i] += Math.min(up, down) * (piece[i] - out[at + i]);
      }
    });
    return out;
  });
}

/** Times are seconds of the song; the sound begins at `beginsS` of it.
 *
 * `sound` lists what the mixer holds: { load() -> channels, gain, summed, version } where `version`
 * is the only one in which it is heard (all when it is undefined). `mixerUrl` is its module. */
export class Player {
  constructor({ rateHz, beginsS = 0, versions, sound, mixerUrl }) {
    Object.assign(this, { rateHz, beginsS, versions, sound, mixerUrl });
    this.ctx = null;
    this.node = null;
    this.ready = null;
    this.position = beginsS;
    this.stamp = 0;
    this.jump = 0; // number of the last jump asked for
    this.playing = false;
    this.sounding = "";
    this.starved = false; // stands still until more of the sound is here
    this.peak = 0;
    this.chosen = versions[0];
    this.before = versions[1] ?? versions[0];
    this.loop = null;
    this.matched = true;
    this.volumeDb = HEARD_BEGINS_DB;
    this.gainsDb = new Map(versions.map((name) => [name, { matched: 0, plain: 0, short: 0 }]));
    this.solo = null;
    this.onstate = () => {};
    this.onfault = () => {};
    this.onload = () => {};
    this.asks = new Map();
    this.number = 0;
  }

  // --- building -------------------------------------------------------------------------------

  /** Builds the graph; called on the first play, since a page may not sound before a gesture. */
  async build(ctx = new AudioContext({ sampleRate: this.rateHz })) {
    this.ctx = ctx;
    await ctx.audioWorklet.addModule(this.mixerUrl);
    this.node = new AudioWorkletNode(ctx, "retune-mixer", {
      numberOfInputs: 0,
      numberOfOutputs: 1,
      outputChannelCount: [2],
    });
    this.node.port.onmessage = (event) => this.heard(event.data);
    this.volume = ctx.createGain();
    this.volume.gain.value = this.volumeGain();
    this.analyser = ctx.createAnalyser();
    this.analyser.fftSize = 8192;
    this.node.connect(this.volume).connect(this.analyser).connect(ctx.destination);
    await this.fill();
  }

  /** Begins to decode before the first play; what fails is told at play. */
  preload() {
    this.decoded ??= this.sound.map((piece) => piece.load());
    this.decoded.forEach((piece) => piece?.catch(() => {}));
  }

  async fill() {
    this.preload();
    let done = 0;
    this.onload(done, this.sound.length);
    await Promise.all(
      this.sound.map(async (piece, index) => {
        const channels = (await this.decoded[index]).map((channel) => channel.slice());
        this.decoded[index] = null; // a long song is not held twice
        const { gain = 1, summed = true, version = null } = piece;
        this.tell(
          { do: "stem", index, gain, channels, summed, version },
          channels.map((c) => c.buffer),
        );
        done += 1;
        this.onload(done, this.sound.length);
      }),
    );
    this.decoded = null;
    this.tellAll();
  }

  /** Tells the mixer all that is asked of it besides its stems. */
  tellAll() {
    this.versions.forEach((name) => this.sendVersion(name));
    this.tell({ do: "choose", name: this.chosen });
    this.sendLoop();
    if (this.solo) this.tell({ do: "heard", heard: this.solo });
  }

  tell(message, transfer = []) {
    this.node?.port.postMessage(message, transfer);
  }

  /** Resolves once the mixer has acted on everything sent before. */
  settled() {
    if (!this.node) return Promise.resolve(0);
    this.number += 1;
    return new Promise((resolve) => {
      this.asks.set(this.number, resolve);
      this.tell({ do: "nothing", ask: this.number });
    });
  }

  // --- what the mixer reports -----------------------------------------------------------------

  heard(message) {
    if (message.answer) {
      this.asks.get(message.answer)?.(message.frame);
      this.asks.delete(message.answer);
    } else if (message.jump !== this.jump) {
      // From before the last jump: where the sound was then.
    } else if (message.ended) {
      this.playing = false;
      this.sounding = "";
      this.position = this.beginsS + message.at / this.rateHz;
      this.endSpan("heard");
      this.onstate();
    } else {
      this.position = this.beginsS + message.at / this.rateHz;
      this.stamp = message.time;
      this.peak = Math.max(this.peak, message.peak);
      this.sounding = message.playing ? message.name : "";
      this.starved = message.starved;
    }
  }

  /** Second of the song that leaves the loudspeaker now. */
  now() {
    if (!this.playing || !this.ctx) return this.position;
    const lag = this.ctx.outputLatency || this.ctx.baseLatency || 0;
    let at = this.position + this.ctx.currentTime - this.stamp - lag;
    if (this.loop) {
      const [a, b] = this.loop;
      if (at >= b && this.position <= b) at = a + ((at - a) % (b - a));
      if (at < a && this.position >= a && this.position - at < 0.5) at = this.position;
    }
    return Math.max(this.beginsS, at);
  }

  /** Highest level since it was last asked for, in dB of full scale, after the volume. */
  takeLevel() {
    const level = this.playing && this.peak > 0 ? 20 * Math.log10(this.peak * this.volumeGain()) : -Infinity;
    this.peak = 0;
    return level;
  }

  // --- playing --------------------------------------------------------------------------------

  /** Whether sound begins to flow; some browsers wait without end where there is no output. */
  async begun() {
    return Promise.race([
      this.ctx.resume().then(
        () => true,
        () => false,
      ),
      new Promise((done) => {
        setTimeout(done, BEGIN_MS, false);
      }),
    ]);
  }

  /** Plays from `at`; whether it does. A reason why not goes to `onfault`. */
  async play(at = this.position, until = null) {
    this.endSpan("cut");
    try {
      await this.prepare(at);
    } catch (error) {
      if (!this.node || error.message === NO_DECODER) this.ready = null;
      this.onfault(error.message);
      return false;
    }
    this.playing = true;
    this.seek(at, until);
    this.onstate();
    return true;
  }

  /** Resolves when sound can begin at `at`; rejects with why it cannot. */
  async prepare(at) {
    this.ready ??= this.build();
    await this.ready;
    await this.reach(at);
    if (!(await this.begun())) throw new Error(NO_OUTPUT);
  }

  /** Resolves when the sound is here from a second on; `build` waits for all of it. */
  async reach(_at) {}

  /** Plays [a, b) once. Resolves with "heard", "cut" (something else was asked for before its
   *  end) or "silent" (it could not be played; `onfault` was told why). */
  async playSpan([a, b]) {
    this.setLoop(null);
    if (!(await this.play(a, b))) return "silent";
    return new Promise((resolve) => {
      this.spanEnded = resolve;
    });
  }

  endSpan(how) {
    this.spanEnded?.(how);
    this.spanEnded = null;
  }

  pause() {
    this.position = this.now();
    this.playing = false;
    this.tell({ do: "pause" });
    this.endSpan("cut");
    this.onstate();
  }

  seek(at, until = null) {
    this.endSpan("cut");
    this.position = at;
    if (this.ctx) this.stamp = this.ctx.currentTime;
    this.jump += 1;
    this.tell({
      do: this.playing ? "play" : "seek",
      at: this.sampleOf(at),
      jump: this.jump,
      until: until === null ? null : this.sampleOf(until),
    });
  }

  sampleOf(time) {
    return Math.round((time - this.beginsS) * this.rateHz);
  }

  choose(name) {
    if (name === this.chosen) return;
    this.before = this.chosen;
    this.chosen = name;
    this.tell({ do: "choose", name });
    this.onstate();
  }

  setLoop(span) {
    this.loop = span;
    this.sendLoop();
  }

  sendLoop() {
    this.tell({ do: "loop", span: this.loop?.map((time) => this.sampleOf(time)) ?? null });
  }

  setHeard(heard) {
    this.solo = heard;
    this.tell({ do: "heard", heard });
  }

  // --- levels ---------------------------------------------------------------------------------

  volumeGain() {
    return this.volumeDb <= SILENT_DB ? 0 : linear(this.volumeDb);
  }

  setVolume(db) {
    this.volumeDb = db;
    if (this.ctx) this.volume.gain.setTargetAtTime(this.volumeGain(), this.ctx.currentTime, 0.01);
  }

  setMatched(matched) {
    this.matched = matched;
    this.versions.forEach((name) => this.sendVersion(name));
  }

  /** Gain of a version in dB when versions are matched in level, and when they are not; `short` is
   * what its peaks keep it from when matched. */
  setGain(name, { matched = 0, plain = 0, short = 0 }) {
    const before = this.lowerDb();
    this.gainsDb.set(name, { matched, plain, short });
    if (this.lowerDb() === before) this.sendVersion(name);
    else this.versions.forEach((each) => this.sendVersion(each));
  }

  /** How much lower all are when matched, so that each is as loud as the one that is short most. */
  lowerDb() {
    return Math.max(0, ...[...this.gainsDb.values()].map(({ short }) => short));
  }

  gainDb(name) {
    const { matched, plain, short } = this.gainsDb.get(name);
    return this.matched ? matched + short - this.lowerDb() : plain;
  }

  /** Changed spans of a version: [{ stem, start, channels }]. */
  patchesOf(_name) {
    return [];
  }

  sendVersion(name) {
    if (!this.node) return;
    this.tell({ do: "version", name, gain: linear(this.gainDb(name)), patches: this.patchesOf(name) });
  }

  close() {
    this.endSpan("cut");
    this.ctx?.close();
  }
}
