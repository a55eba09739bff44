// The one clock: an audio worklet that holds every stem, adds what is heard, and lays the changed
// spans of a version over it. A switch is a crossfade of 10 ms at the same sample of the song;
// before it every sample is the one version's, after it the other's.

const FADE_S = 0.01;
const GATE_S = 0.005;
const REPORT_FRAMES = 1024;
const NOTHING = { name: "", gain: 1, patches: new Map() };

class Mixer extends AudioWorkletProcessor {
  constructor() {
    super();
    this.stems = [];
    this.versions = new Map([["original", { ...NOTHING, name: "original" }]]);
    this.current = this.versions.get("original");
    this.previous = null;
    this.pending = null;
    this.faded = 0;
    this.fade = Math.max(1, Math.round(FADE_S * sampleRate));
    this.gateLength = Math.max(1, Math.round(GATE_S * sampleRate));
    this.gate = 0;
    this.playing = false;
    this.wanted = false;
    this.seekTo = null;
    this.jump = 0;
    this.at = 0;
    this.length = 0;
    this.loop = null;
    this.until = null;
    this.untilThen = null;
    this.peak = 0;
    this.since = 0;
    this.here = null; // which parts of `partLength` samples are here; null where stems come whole
    this.partLength = 1;
    this.starved = false; // waits in silence for the next part
    this.scratch = [0, 1, 2, 3].map(() => new Float32Array(128));
    this.port.onmessage = (event) => this.told(event.data);
  }

  told(message) {
    const act = {
      stem: () => this.setStem(message),
      part: () =>
        this.stems[message.index].channels.forEach((c, k) => c.set(message.channels[k], message.at)),
      parts: () => {
        this.here = new Array(message.count).fill(false);
        this.partLength = message.size;
      },
      here: () => {
        this.here[message.part] = true;
      },
      version: () => this.setVersion(message),
      choose: () => this.choose(this.versions.get(message.name)),
      play: () => {
        this.wanted = true;
        this.go(message);
      },
      pause: () => {
        this.wanted = false;
      },
      seek: () => this.go(message),
      loop: () => {
        this.loop = message.span;
      },
      heard: () => {
        message.heard.forEach((on, k) => {
          if (this.stems[k]) this.stems[k].heard = on;
        });
      },
      clear: () => {
        this.stems = [];
        this.length = 0;
      },
    }[message.do];
    act?.();
    if (message.ask) this.port.postMessage({ answer: message.ask, frame: currentFrame });
  }

  /** A stem whole, or one of `nSamples` that comes in parts. */
  setStem({ index, gain, channels, summed, version, nSamples, nChannels }) {
    channels ??= Array.from({ length: nChannels }, () => new Float32Array(nSamples));
    this.stems[index] = { gain, channels, summed, version, heard: true };
    this.length = Math.max(this.length, channels[0].length);
  }

  setVersion({ name, gain, patches }) {
    const byStem = new Map();
    for (const patch of patches) {
      if (!byStem.has(patch.stem)) byStem.set(patch.stem, []);
      byStem.get(patch.stem).push(patch);
    }
    for (const list of byStem.values()) list.sort((a, b) => a.start - b.start);
    const made = { name, gain, patches: byStem };
    const target = this.pending ?? this.current;
    this.versions.set(name, made);
    if (target.name === name) this.choose(made);
  }

  choose(version) {
    if (!version || version === (this.pending ?? this.current)) return;
    if (!this.playing) {
      this.current = version;
      this.previous = null;
      this.pending = null;
    } else if (this.previous) {
      this.pending = version;
    } else {
      this.previous = this.current;
      this.current = version;
      this.faded = 0;
    }
  }

  go({ at, jump, until = null }) {
    this.jump = jump;
    const place = Math.max(0, Math.min(Math.round(at), Math.max(this.length - 1, 0)));
    if (this.playing && this.gate > 0) {
      this.seekTo = place;
      this.untilThen = until;
    } else {
      this.at = place;
      this.until = until;
    }
  }

  process(_inputs, outputs) {
    const [left, right] = [outputs[0][0], outputs[0][1] ?? outputs[0][0]];
    left.fill(0);
    right.fill(0);
    if (this.wanted) this.playing = true;
    let done = 0;
    while (this.playing && done < left.length) done += this.stretch(left, right, done);
    this.measure(left, right);
    return true;
  }

  /** Sound up to the next place where something changes; returns how many frames. */
  stretch(left, right, from) {
    const loop = this.loop && this.at <= this.loop[1] ? this.loop : null;
    const stop = Math.min(loop ? loop[1] : (this.until ?? this.length), this.length);
    if (this.at >= stop) {
      if (loop) this.at = loop[0];
      else return this.end(left.length - from);
    }
    const edge = this.hereUntil();
    this.starved = edge < stop && this.at + left.length + this.gateLength > edge;
    if (this.starved && this.gate === 0) return this.wait(left.length - from);
    const n = Math.min(left.length - from, stop - this.at);
    this.add(this.current, n, 0);
    if (this.previous) this.blend(n);
    this.shape(left, right, from, n, loop ?? [-Infinity, stop]);
    this.at += n;
    return n;
  }

  /** The sample up to which, from here on, every stem has come; looked for one part ahead. */
  hereUntil() {
    if (!this.here) return this.length;
    const part = Math.floor(this.at / this.partLength);
    const next = this.here[part] ? (this.here[part + 1] ? part + 2 : part + 1) : part;
    return next >= this.here.length ? this.length : next * this.partLength;
  }

  wait(frames) {
    if (!this.wanted) this.playing = false;
    return frames;
  }

  end(frames) {
    this.playing = this.wanted = false;
    this.gate = 0;
    if (this.until === null) this.at = 0;
    this.until = null;
    this.port.postMessage({ ended: true, at: this.at, jump: this.jump });
    return Math.max(frames, 1);
  }

  /** The mix of a version from `this.at`, into scratch `into` and `into + 1`. */
  add(version, n, into) {
    const [left, right] = [this.scratch[into], this.scratch[into + 1]];
    left.fill(0, 0, n);
    right.fill(0, 0, n);
    this.stems.forEach((stem, k) => {
      if (!stem?.heard || (stem.version && stem.version !== version.name)) return;
      const gain = stem.gain * version.gain;
      const [a, b] = [stem.channels[0], stem.channels[1] ?? stem.channels[0]];
      // Beside a finished mix a stem gives only what changes in it.
      const m = stem.summed ? Math.min(n, a.length - this.at) : 0;
      for (let i = 0; i < m; i += 1) {
        left[i] += gain * a[this.at + i];
        right[i] += gain * b[this.at + i];
      }
      const patches = version.patches.get(k);
      if (patches) this.lay(patches, stem, gain, left, right, n);
    });
  }

  lay(patches, stem, gain, left, right, n) {
    const [a, b] = [stem.channels[0], stem.channels[1] ?? stem.channels[0]];
    for (const patch of patches) {
      const first = Math.max(patch.start, this.at);
      const last = Math.min(patch.start + patch.channels[0].length, this.at + n, a.length);
      if (patch.start >= this.at + n) break;
      const [c, d] = [patch.channels[0], patch.channels[1] ?? patch.channels[0]];
      for (let t = first; t < last; t += 1) {
        left[t - this.at] += gain * (c[t - patch.start] - a[t]);
        right[t - this.at] += gain * (d[t - patch.start] - b[t]);
      }
    }
  }

  blend(n) {
    this.add(this.previous, n, 2);
    const [l, r, pl, pr] = this.scratch;
    for (let i = 0; i < n; i += 1) {
      const u = Math.min((this.faded + i) / this.fade, 1);
      l[i] = u * l[i] + (1 - u) * pl[i];
      r[i] = u * r[i] + (1 - u) * pr[i];
    }
    this.faded += n;
    if (this.faded < this.fade) return;
    this.previous = null;
    if (this.pending) {
      const next = this.pending;
      this.pending = null;
      this.choose(next);
    }
  }

  /** Opens and closes softly at play, pause, a jump, the seam of a loop and the end of a span. */
  shape(left, right, from, n, [first, last]) {
    for (let i = 0; i < n; i += 1) {
      const opens = this.wanted && this.seekTo === null && !this.starved;
      this.gate = Math.min(Math.max(this.gate + (opens ? 1 : -1), 0), this.gateLength);
      const t = this.at + i;
      const edge = Math.min(last - t, t >= first ? t - first : this.gateLength);
      const gain = (this.gate / this.gateLength) * Math.min(1, edge / this.gateLength);
      left[from + i] = gain * this.scratch[0][i];
      right[from + i] = gain * this.scratch[1][i];
    }
    if (this.gate > 0) return;
    if (this.seekTo !== null) {
      this.at = this.seekTo - n;
      this.until = this.untilThen;
      this.seekTo = null;
    } else if (!this.wanted) this.playing = false;
  }

  measure(left, right) {
    for (let i = 0; i < left.length; i += 1) {
      this.peak = Math.max(this.peak, Math.abs(left[i]), Math.abs(right[i]));
    }
    this.since += left.length;
    if (this.since < REPORT_FRAMES) return;
    this.port.postMessage({
      at: this.seekTo ?? this.at,
      playing: this.playing && this.wanted,
      peak: this.peak,
      time: currentTime,
      name: this.current.name,
      jump: this.jump,
      starved: this.playing && this.starved,
    });
    this.since = 0;
    this.peak = 0;
  }
}

registerProcessor("retune-mixer", Mixer);
