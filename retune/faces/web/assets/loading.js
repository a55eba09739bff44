// The sound of a song on its way here, part by part: what sounds next comes first, so that it can
// begin long before all of it is here.

export const PART_S = 4;
const AHEAD_S = 1.5; // so much from a place on is here before it sounds

/** The channels of samples that stand frame after frame. */
export function parted(samples, nChannels) {
  const nFrames = samples.length / nChannels;
  return Array.from({ length: nChannels }, (_, c) => {
    const channel = new Float32Array(nFrames);
    for (let i = 0; i < nFrames; i += 1) channel[i] = samples[i * nChannels + c];
    return channel;
  });
}

/** `stems`: [{ nSamples, nChannels, read(first, last) -> samples, frame after frame }].
 *
 * `place()` is the second that sounds next; `ontake(index, at, channels)` gets each part. */
export class Loading {
  constructor({ rateHz, stems, place, ontake, onpart = () => {} }) {
    Object.assign(this, { rateHz, stems, place, ontake, onpart });
    this.size = Math.round(PART_S * rateHz);
    this.longest = Math.max(0, ...stems.map((stem) => stem.nSamples));
    this.here = new Array(Math.ceil(this.longest / this.size)).fill(false);
    this.came = 0; // stems of the part that is on its way
    this.waiting = []; // [{ last, resolve, reject }]
    this.running = false;
    this.closed = false;
  }

  partAt(second) {
    const number = Math.floor((second * this.rateHz) / this.size);
    return Math.max(0, Math.min(number, this.here.length - 1));
  }

  /** Parts from a second on, as far as sound is needed to begin there, are here. */
  has(second) {
    return this.here.slice(this.partAt(second), this.partAt(second + AHEAD_S) + 1).every(Boolean);
  }

  /** The next part to fetch: the first missing from the place on, then from the start; -1 at the end. */
  next() {
    const from = this.here.indexOf(false, this.partAt(this.place()));
    return from < 0 ? this.here.indexOf(false) : from;
  }

  /** Fetches what is missing, one part after the other. */
  async run() {
    if (this.running) return;
    this.running = true;
    try {
      for (let part = this.next(); part >= 0 && !this.closed; part = this.next()) {
        await this.fetch(part);
        this.here[part] = true;
        this.onpart(part);
        this.answer();
      }
    } catch (error) {
      for (const { reject } of this.waiting.splice(0)) reject(error);
    } finally {
      this.running = false;
    }
  }

  async fetch(part) {
    this.came = 0;
    const first = part * this.size;
    await Promise.all(
      this.stems.map(async (stem, index) => {
        const last = Math.min(first + this.size, stem.nSamples);
        if (last > first && !this.closed) {
          const samples = await stem.read(first, last);
          if (!this.closed) this.ontake(index, first, parted(samples, stem.nChannels));
        }
        this.came += 1;
        this.onpart(-1);
      }),
    );
  }

  answer() {
    this.waiting = this.waiting.filter(({ second, resolve }) => {
      if (this.has(second)) resolve();
      return !this.has(second);
    });
  }

  /** Resolves when sound can begin at a second; rejects with what stands in the way. */
  reach(second) {
    if (this.has(second)) return Promise.resolve();
    return new Promise((resolve, reject) => {
      this.waiting.push({ second, resolve, reject });
      this.run();
    });
  }

  close() {
    this.closed = true;
    this.waiting = [];
  }
}
