// Readings of the bars as plain values: their beats, their rivals, clicks on them, and taps.
// A reading is { name, meter: "3/4", tempo_bpm, downbeats_s, confidence (null where not heard) }; that of
// the song as it is has all its beats_s and its meters, [{ bar, meter }], too.

const NAMES = { 2: "in two", 3: "in three", 4: "in four" };
const LATER = { 1: "one beat", 2: "two beats", 3: "three beats" };
const FEWEST_TAPS = 4;
const SAME_TEMPO = 0.08; // taps and a reading this near are of one tempo
const ON_THE_BEAT = 0.25; // of a beat: how far the first tap may lie from a beat of it
const SAME_CLICK_S = 0.03; // no two clicks are nearer than this

/** Written beats of a bar: dotted quarters in 6/8, 9/8, 12/8. */
export function beatsPerBar(meter) {
  const [top, bottom] = meter.split("/").map(Number);
  return bottom === 8 && [6, 9, 12].includes(top) ? top / 3 : top;
}

/** Beats of bar `bar`, counted from 1, by the meter that is in force there. */
export function beatsIn({ meter, meters = [] }, bar) {
  return beatsPerBar(meters.findLast((change) => change.bar <= bar)?.meter ?? meter);
}

/** Beats from the first downbeat to `at_s`, not before it; null where the song has no bars. */
export function beatAt(bars, at_s) {
  const times = beatsOf(bars)
    .map((beat) => beat.at_s)
    .filter((t) => t >= bars.downbeats_s[0] - 1e-9);
  if (times.length < 2) return null;
  const next = times.findIndex((t) => t > at_s);
  const beat = Math.max(0, (next < 0 ? times.length - 1 : next) - 1);
  return beat + (at_s - times[beat]) / (times[beat + 1] - times[beat]);
}

/** Every beat of a reading, those of the pickup too: [{ at_s, isDown }]. */
export function beatsOf(row) {
  const { downbeats_s: downs, beats_s: told = [] } = row;
  const per = beatsIn(row, 1);
  const beats = [];
  for (let bar = 0; bar + 1 < downs.length; bar += 1) {
    const count = beatsIn(row, bar + 1);
    const beat = (downs[bar + 1] - downs[bar]) / count;
    for (let k = 0; k < count; k += 1) {
      beats.push({ at_s: told[beats.length] ?? downs[bar] + k * beat, isDown: k === 0 });
    }
  }
  if (downs.length > 1) {
    beats.push({ at_s: downs[downs.length - 1], isDown: true });
    const beat = beats[1].at_s - downs[0];
    for (let k = 1; downs[0] - k * beat >= 0; k += 1) {
      beats.unshift({ at_s: downs[0] - k * beat, isDown: k % per === 0 });
    }
  }
  return beats;
}

export function median(values) {
  const sorted = [...values].sort((a, b) => a - b);
  const half = sorted.length >> 1;
  return sorted.length % 2 ? sorted[half] : (sorted[half - 1] + sorted[half]) / 2;
}

const gaps = (times) => times.slice(1).map((t, k) => t - times[k]);

/** The reading with these downbeats, its tempo by the middle bar. */
function reading(name, meter, downs) {
  const tempo = (60 * beatsPerBar(meter)) / median(gaps(downs));
  return { name, meter, tempo_bpm: tempo, downbeats_s: downs, confidence: null };
}

const every = (beats, first, per) => beats.filter((_, k) => k >= first && (k - first) % per === 0);
const halved = (times) => times.flatMap((t, k) => (k + 1 < times.length ? [t, (t + times[k + 1]) / 2] : [t]));

/** What a musician may hear instead, by reckoning alone: other tempi, meters, first beats. */
function reckoned({ meter, downbeats_s: downs }) {
  const per = beatsPerBar(meter);
  const inside = beatsOf({ meter, downbeats_s: downs })
    .map(({ at_s }) => at_s)
    .filter((t) => t >= downs[0] - 1e-9);
  const made = [
    reading("twice as fast", meter, halved(downs)),
    reading("half as fast", meter, every(downs, 0, 2)),
    ...[2, 3, 4]
      .filter((beats) => `${beats}/4` !== meter)
      .map((beats) => reading(NAMES[beats], `${beats}/4`, every(inside, 0, beats))),
  ];
  for (let k = 1; k < per; k += 1)
    made.push(reading(`begins ${LATER[k]} later`, meter, every(inside, k, per)));
  if (per === 2) made.push(reading("in four, from the second bar", "4/4", every(inside, 2, 4)));
  return made.filter((row) => row.downbeats_s.length > 1 && Number.isFinite(row.tempo_bpm));
}

/** The rivals of the bars: those that were heard, the likeliest first, then those by reckoning. */
export function rivalsOf(bars) {
  if (bars.downbeats_s.length < 2) return [];
  const heard = bars.rivals ?? [];
  const names = new Set(heard.map((row) => row.name));
  if (bars.meters?.length > 1) return heard;
  return [...heard, ...reckoned(bars).filter((row) => !names.has(row.name))];
}

/** How to set a reading in the song file, in the fields of the facts. */
export function factsOf({ meter, downbeats_s: downs }) {
  return [
    { name: "meter", value: meter },
    { name: "downbeats_s", value: `[${downs.map((t) => t.toFixed(3)).join(", ")}]` },
  ];
}

/** Clicks within `ahead_s` from `at_s` on, in seconds from now; a loop [a, b) begins again. */
export function upcoming(beats, at_s, ahead_s, loop = null) {
  const within = (from, to, shift) =>
    beats
      .filter(({ at_s: t }) => t >= from - 1e-9 && t < to)
      .map((beat) => ({ ...beat, in_s: beat.at_s - at_s + shift }));
  if (!loop || at_s >= loop[1]) return within(at_s, at_s + ahead_s, 0);
  const found = within(at_s, Math.min(at_s + ahead_s, loop[1]), 0);
  const length = loop[1] - loop[0];
  for (let left = at_s + ahead_s - loop[1], turn = 1; left > 0 && length > 0; left -= length, turn += 1) {
    found.push(...within(loop[0], Math.min(loop[0] + left, loop[1]), turn * length));
  }
  return found;
}

/** Whether a click at `when` is not the one already made. */
export const isNewClick = (when, last) => when > last + SAME_CLICK_S;

/** Tempo and bars of taps on the beat, the first a downbeat; null for fewer than four.
 *
 * The tempo is the middle interval. Where a reading that was heard has this tempo, and a beat near
 * the first tap, its beats are taken: they follow the recording, as taps cannot. */
export function tapped(taps, { meter, readings = [], end_s = 0 }) {
  const times = [...taps].sort((a, b) => a - b);
  if (times.length < FEWEST_TAPS) return null;
  const beat_s = median(gaps(times));
  if (!(beat_s > 0)) return null;
  const per = beatsPerBar(meter);
  const followed = readings.map((row) => followedBy(row, times[0], beat_s, per)).find(Boolean);
  const downs = followed ?? even(times[0], beat_s * per, end_s);
  return { ...reading("tapped", meter, downs), tempo_bpm: 60 / beat_s, follows: Boolean(followed) };
}

/** Downbeats of a reading's beats from the one nearest to `first_s` on, if it has this tempo. */
function followedBy(row, first_s, beat_s, per) {
  const beats = beatsOf(row).map(({ at_s }) => at_s);
  if (beats.length <= per || Math.abs(median(gaps(beats)) / beat_s - 1) > SAME_TEMPO) return null;
  const near = beats.reduce((a, t, k) => (Math.abs(t - first_s) < Math.abs(beats[a] - first_s) ? k : a), 0);
  if (Math.abs(beats[near] - first_s) > ON_THE_BEAT * beat_s) return null;
  return every(beats, near % per, per);
}

/** Even downbeats through `through_s`, from the first in the song to its end. */
function even(through_s, bar_s, end_s) {
  const first = through_s - Math.floor(through_s / bar_s) * bar_s;
  const count = Math.max(2, Math.ceil((end_s - first) / bar_s) + 1);
  return Array.from({ length: count }, (_, k) => first + k * bar_s);
}

/** How a tapped tempo is set: where its beats follow the recording as these, else evenly. */
export function factsOfTaps(row) {
  if (row.follows) return factsOf(row);
  return [
    { name: "meter", value: row.meter },
    { name: "tempo_bpm", value: row.tempo_bpm.toFixed(2) },
    { name: "first_downbeat_s", value: row.downbeats_s[0].toFixed(3) },
  ];
}
