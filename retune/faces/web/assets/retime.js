// Dragging an end of a note in the picture: a rule that moves it in time, snapped to the beat.

import { beatAt } from "./beats.js";
import { $ } from "./dom.js";
import { timeAt } from "./picture.js";
import { replaceRule } from "./rules.js";
import { melodyNotes, on, state } from "./store.js";

const GRIP = 7; // px at each end of a note that move its end, at most a quarter of it
const PARTS = 4; // a beat snaps to quarters

/** Begins where the pointer goes down near an end of a note. */
export function grip(event) {
  const group = event.target.closest?.(".note");
  if (!group || !$("#correct").hidden || event.button !== 0) return null;
  const box = $(".hit", group).getBoundingClientRect();
  const near = Math.min(GRIP, box.width / 4);
  const part = event.clientX < box.left + near ? "start" : event.clientX > box.right - near ? "end" : null;
  return part && { part, index: Number(group.dataset.note) };
}

const noteOf = (from) => melodyNotes().find((note) => note.index === from.index);

/** The moment that names a note whatever moves: its middle. */
const place = (note) => `${((note.start_s + note.end_s) / 2).toFixed(2)}s`;

/** The rule that letting go here makes, null for none: with Alt by the clock, else by the beat. */
function pulled(from, event) {
  const note = noteOf(from);
  const at = timeAt(event);
  if (!note || at === null) return null;
  const was = note[`${from.part}_s`];
  const [beat, old] = [at, was].map((seconds) => beatAt(state.song.bars, seconds));
  let by = Math.round((at - was) * 100) / 100,
    length = `${Math.abs(by)}s`;
  if (beat !== null && !event.altKey) {
    by = Math.round((beat - old) * PARTS) / PARTS;
    length = `${Math.abs(by)} beat${Math.abs(by) === 1 ? "" : "s"}`;
  }
  if (!by) return null;
  const what = `note at ${place(note)}`;
  if (from.part === "end") return by > 0 ? `hold ${what} ${length} longer` : `shorten ${what} by ${length}`;
  return by > 0 ? `delay ${what} by ${length}` : `bring ${what} ${length} earlier`;
}

/** Whether a rule moves the same end of the same note, so that a new drag takes its place. */
function isSame(line, rule) {
  const verbs = /^(hold|shorten)/.test(rule) ? /^\s*(hold|shorten)\b/i : /^\s*(delay|bring)\b/i;
  return verbs.test(line) && line.includes(rule.match(/note at \S+/)[0]);
}

export function setUpRetime() {
  let from = null;
  const pic = $("#pic");
  pic.addEventListener("pointerdown", (event) => {
    from = grip(event);
  });
  pic.addEventListener("pointermove", (event) => {
    if (!from) {
      pic.classList.toggle("at-end", Boolean(event.buttons === 0 && grip(event)));
      return;
    }
    if (!pic.hasPointerCapture(event.pointerId)) pic.setPointerCapture(event.pointerId);
    $("#here").textContent =
      pulled(from, event) ??
      `Drag the ${from.part} of note ${from.index}: it snaps to quarter beats, with Alt to no beat.`;
  });
  const done = (event) => {
    const rule = from && event.type === "pointerup" ? pulled(from, event) : null;
    from = null;
    if (rule) replaceRule((line) => isSame(line, rule), rule);
  };
  pic.addEventListener("pointerup", done);
  pic.addEventListener("pointercancel", done);
  on("song", () => {
    from = null;
  });
}
