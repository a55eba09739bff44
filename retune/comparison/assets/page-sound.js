// One clock for all versions: every source starts at the same instant, and only gains change.

const FADE_S = 0.01;
const BEGIN_MS = 4000;
const SEAM_S = 0.008;

/** Sources and gains for all `buffers` in `ctx` (real-time or offline), `chosen` open. */
function buildVoices(ctx, buffers, { out, when = 0, offset = 0, loop = null, chosen = 0, levels = [] }) {
  const gains = [];
  const sources = buffers.map((buffer, k) => {
    const source = ctx.createBufferSource();
    const level = ctx.createGain();
    const gain = ctx.createGain();
    source.buffer = buffer;
    level.gain.value = levels[k] ?? 1;
    gain.gain.value = k === chosen ? 1 : 0;
    if (loop) {
      source.loop = true;
      source.loopStart = loop[0];
      source.loopEnd = loop[1];
    }
    source.connect(level).connect(gain).connect(out);
    source.start(when, offset);
    gains.push(gain);
    return source;
  });
  return { sources, gains };
}

/** Crossfade to `chosen` over 10 ms from time `at`; equal gain, since the versions are alike. */
function crossfade(voices, chosen, at) {
  voices.gains.forEach((gain, k) => {
    const now = gain.gain.value;
    gain.gain.cancelScheduledValues(at);
    gain.gain.setValueAtTime(now, at);
    gain.gain.linearRampToValueAtTime(k === chosen ? 1 : 0, at + FADE_S);
  });
}

function bytesOf(base64) {
  const text = atob(base64.trim());
  const bytes = new Uint8Array(text.length);
  for (let i = 0; i < text.length; i += 1) bytes[i] = text.charCodeAt(i);
  return bytes.buffer;
}

/** The player of one song. Times are seconds of the song; the sound covers `facts.passage`. */
class Player {
  constructor(facts, blocks) {
    this.facts = facts;
    this.blocks = blocks;
    this.chosen = 0;
    this.before = Math.min(1, facts.versions.length - 1);
    this.at = facts.passage[0];
    this.loop = null;
    this.matched = true;
    this.volume = 0.15;
    this.voices = null;
    this.ctx = null;
    this.buffers = null;
    this.onfault = () => {};
  }

  /** Decode everything once, at the rate of the file, so that nothing is resampled. */
  async decoded() {
    this.decoding ??= Promise.all(this.blocks.map((block) => {
      const offline = new OfflineAudioContext(1, 1, this.facts.rate_hz);
      return offline.decodeAudioData(bytesOf(block.textContent));
    }));
    this.buffers = await this.decoding;
    return this.buffers;
  }

  get playing() { return this.voices !== null; }

  /** Gain of a version: 1 when matched, else what the matching did is undone. */
  levels() {
    return this.facts.versions.map((v) => (this.matched ? 1 : 10 ** (-v.gain_db / 20)));
  }

  async play(until = null) {
    await this.decoded();
    if (!this.ctx) {
      this.ctx = new AudioContext({ sampleRate: this.facts.rate_hz });
      this.master = this.ctx.createGain();
      this.master.gain.value = this.volume;
      this.seam = this.ctx.createGain();
      this.meter = this.ctx.createAnalyser();
      this.meter.fftSize = 2048;
      this.seam.connect(this.master).connect(this.ctx.destination);
    }
    // Some browsers wait without end where there is no sound output.
    const late = new Promise((done) => { setTimeout(done, BEGIN_MS, true); });
    if (await Promise.race([this.ctx.resume(), late])) {
      this.onfault("No sound output answers. Connect one, then load this page again.");
      return;
    }
    this.stop();
    const [first, last] = this.facts.passage;
    const loop = this.loop && until === null ? this.loop : null;
    if (loop && (this.at < loop[0] - 0.01 || this.at >= loop[1] - 0.02)) this.at = loop[0];
    if (this.at >= last - 0.02) this.at = first;
    this.until = until ?? (loop ? Infinity : last);
    this.start = { when: this.ctx.currentTime + 0.06, at: this.at };
    this.lap = loop;
    this.nextSeam = loop ? this.start.when + loop[1] - this.at : Infinity;
    const gate = this.ctx.createGain();
    gate.connect(this.seam);
    gate.connect(this.meter);
    gate.gain.setValueAtTime(0, this.start.when);
    gate.gain.linearRampToValueAtTime(1, this.start.when + FADE_S);
    this.voices = buildVoices(this.ctx, this.buffers, {
      out: gate, when: this.start.when, offset: this.at - first, chosen: this.chosen,
      loop: loop && loop.map((t) => t - first), levels: this.levels(),
    });
    this.voices.gate = gate;
  }

  stop() {
    if (!this.voices) return;
    const { sources, gate } = this.voices;
    this.at = this.position();
    const now = this.ctx.currentTime;
    gate.gain.cancelScheduledValues(now);
    gate.gain.setValueAtTime(gate.gain.value, now);
    gate.gain.linearRampToValueAtTime(0, now + FADE_S);
    sources.forEach((source) => source.stop(now + 2 * FADE_S));
    setTimeout(() => gate.disconnect(), 200);
    this.seam.gain.cancelScheduledValues(now);
    this.seam.gain.setValueAtTime(1, now + 2 * FADE_S);
    this.voices = null;
  }

  /** Where the song is that is heard now. */
  position() {
    if (!this.voices) return this.at;
    const late = this.ctx.outputLatency || 0;
    const here = this.start.at + Math.max(this.ctx.currentTime - late - this.start.when, 0);
    if (!this.lap || here < this.lap[1]) return Math.min(here, this.facts.passage[1]);
    const [a, b] = this.lap;
    return a + ((here - a) % (b - a));
  }

  async seek(time) {
    const [first, last] = this.facts.passage;
    const was = this.playing;
    this.stop();
    this.at = Math.min(Math.max(time, first), last);
    if (was) await this.play();
  }

  choose(k) {
    if (k === this.chosen) return;
    this.before = this.chosen;
    this.chosen = k;
    if (this.voices) crossfade(this.voices, k, this.ctx.currentTime);
  }

  setVolume(value) {
    this.volume = value;
    if (this.ctx) this.master.gain.setTargetAtTime(value, this.ctx.currentTime, 0.02);
  }

  /** Once a frame: soften the seams of a loop, stop at the end. True when playing just ended. */
  tick() {
    if (!this.voices) return false;
    const now = this.ctx.currentTime;
    while (this.lap && this.nextSeam < now + 1) {
      const gain = this.seam.gain;
      gain.setValueAtTime(1, this.nextSeam - SEAM_S);
      gain.linearRampToValueAtTime(0, this.nextSeam);
      gain.linearRampToValueAtTime(1, this.nextSeam + SEAM_S);
      this.nextSeam += this.lap[1] - this.lap[0];
    }
    if (this.position() < this.until - 0.005) return false;
    this.stop();
    return true;
  }

  /** Level of what sounds now before the volume, in dB of full scale. */
  level() {
    if (!this.voices) return -Infinity;
    const block = new Float32Array(this.meter.fftSize);
    this.meter.getFloatTimeDomainData(block);
    const power = block.reduce((sum, x) => sum + x * x, 0) / block.length;
    return 10 * Math.log10(power + 1e-12);
  }
}
