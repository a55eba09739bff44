// The height of the picture's lanes on the screen: which pitch lies where.

import { $ } from "./dom.js";
import { melodyNotes } from "./store.js";

/** Pitch and height (px of the screen) of the notes that are drawn, lowest first. */
function seen() {
  return melodyNotes()
    .map((note) => {
      const hit = $(`#drawing .note[data-note="${note.index}"] .hit`);
      return hit && [note.midi, hit.getBoundingClientRect()];
    })
    .filter(Boolean)
    .map(([midi, box]) => [midi, box.y + box.height / 2])
    .sort((a, b) => a[0] - b[0]);
}

/** Height of a semitone on the screen: two notes of different pitch tell it. */
export function perSemitone() {
  const found = seen();
  const [low, high] = [found[0], found[found.length - 1]];
  const reach = low && high ? high[0] - low[0] : 0;
  return reach > 0.5 ? Math.max(4, (low[1] - high[1]) / reach) : 16;
}

/** The pitch at a height of the screen; null without notes. In systems, of the nearest one. */
export function midiAt(y) {
  const found = seen();
  if (!found.length) return null;
  const [midi, at] = found.reduce((a, b) => (Math.abs(b[1] - y) < Math.abs(a[1] - y) ? b : a));
  return Math.round(midi + (at - y) / perSemitone());
}
