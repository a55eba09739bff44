// Correcting by hand what was heard: each change is saved to the song file at once, and undone.

import { $, el, minus, printed, say, typed } from "./dom.js";
import { perSemitone } from "./lanes.js";
import { player } from "./listen.js";
import { timeAt } from "./picture.js";
import { change, chooseNote, chosenNote, melodyNotes, on, state } from "./store.js";

const middle = (note) => Number(((note.start_s + note.end_s) / 2).toFixed(4));

const noteAt = (at) => melodyNotes().find((n) => n.start_s <= at && at < n.end_s) ?? null;

/** Corrects a note; `words` may be a function of the note as it is when its turn comes. */
async function set(note, words, done = "") {
  const at = middle(note);
  const body = () => {
    const now = typeof words === "function" ? noteAt(at) : note;
    const text = typeof words === "function" ? now && words(now) : words;
    return text && { add: [{ stem: state.song.melody, at_s: middle(now), set: text }] };
  };
  if (await change("correct", body, done || `Corrected: ${words}. Undo takes it back.`))
    chooseNote(noteAt(at)?.index ?? null, { move: false });
}

/** One row of the grid: a name, and what stands beside it. */
const row = (label, ...parts) => [label, el("div", { class: "set" }, ...parts)];

/** A field with its unit, and a button that sets it; Enter does too. */
function field(id, value, unit, done, more = {}) {
  const input = el("input", {
    type: "text",
    id,
    value,
    autocomplete: "off",
    ...more,
    onkeydown: (event) => {
      if (event.key === "Enter") done(input.value.trim());
    },
  });
  return [
    input,
    unit ? el("span", { class: "quiet" }, unit) : "",
    el("button", { type: "button", onclick: () => done(input.value.trim()) }, "Set"),
  ];
}

const button = (words, act) => el("button", { type: "button", onclick: act }, words);
const label = (id, words) => el("label", { for: id }, words);

function seconds(text, note, word) {
  const number = Number(text.replace(",", "."));
  if (!Number.isFinite(number) || text === "") return say(`The ${word} must be a number of seconds`);
  return set(note, `${word} ${number}`);
}

function editor(note) {
  const isEnding = note.phrase_ending;
  const nudge = (word, by) =>
    set(
      note,
      (now) => `${word} ${(now[`${word}_s`] + by).toFixed(3)}`,
      `The ${word} is 10 ms ${by < 0 ? "earlier" : "later"}. Undo takes it back.`,
    );
  const edge = (word) =>
    row(
      label(`set-${word}`, word),
      ...field(`set-${word}`, note[`${word}_s`].toFixed(3), "s", (text) => seconds(text, note, word)),
      button("10 ms earlier", () => nudge(word, -0.01)),
      button("10 ms later", () => nudge(word, 0.01)),
    );
  return el(
    "div",
    { class: "correcting" },
    el(
      "p",
      {},
      `Note ${note.index}: ${printed(note.name)}, from ${note.start_s.toFixed(2)} to ` +
        `${note.end_s.toFixed(2)} s, ${minus(note.cents ?? 0, 0)} cents from the name.`,
    ),
    ...row(
      label("set-pitch", "pitch"),
      ...field("set-pitch", typed(note.name), "", (text) => set(note, `pitch ${text}`)),
      button("Octave up", () => set(note, "octave up")),
      button("Octave down", () => set(note, "octave down")),
    ),
    ...row(
      label("set-degree", "or degree"),
      ...field("set-degree", note.degree ?? "", "", (text) => set(note, `degree ${text}`)),
    ),
    ...edge("start"),
    ...edge("end"),
    ...row(
      el("span", {}, ""),
      button("Split in two", () => set(note, "split")),
      button("Merge with the next", () => set(note, "merge next")),
      button("Not a note: drop it", () => set(note, "drop")),
      button(isEnding ? "Not a phrase ending" : "A phrase ends here", () =>
        set(note, isEnding ? "not an ending" : "ending here"),
      ),
    ),
  );
}

/** Puts in a note that was not heard, from the chosen one on; in a finished mix it becomes part of
 *  the guide. */
function adder() {
  const note = chosenNote();
  const from = note ? note.start_s : state.place;
  const inputs = [
    ["pitch", note ? typed(note.name) : "", "such as F4"],
    ["start", from.toFixed(2), "s"],
    ["end", (from + 0.5).toFixed(2), "s"],
  ];
  const rows = inputs.flatMap(([word, value, unit]) =>
    row(
      label(`add-${word}`, word),
      el("input", { type: "text", id: `add-${word}`, value, autocomplete: "off" }),
      el("span", { class: "quiet" }, unit),
    ),
  );
  const add = () => {
    const [pitch, start, end] = inputs.map(([word]) => $(`#add-${word}`).value.trim().replace(",", "."));
    const name = typed(pitch);
    if (!name || !(Number(end) > Number(start)))
      return say("A note needs a pitch such as F4, a start, and a later end, in seconds");
    return change(
      "correct",
      { add: [{ stem: state.song.melody, at_s: Number(start), set: `add ${name} to ${end}` }] },
      `Added ${printed(name)}. Undo takes it back.`,
    );
  };
  return el(
    "div",
    { class: "correcting" },
    el("h3", {}, "Add a note that was not heard"),
    ...rows,
    ...row(el("span", {}, ""), tapper(), button("Add a note", add)),
  );
}

/** A button held down for as long as a note sounds, by pointer, touch or space bar. */
function tapper() {
  let from = null;
  const down = () => {
    if (!player?.playing) return say("Play first (P), then hold the button for as long as the note sounds");
    from ??= player.now();
    return undefined;
  };
  const up = () => {
    if (from === null) return;
    const [start, end] = [from, player.now()].sort((a, b) => a - b);
    from = null;
    $("#add-start").value = start.toFixed(2);
    $("#add-end").value = end.toFixed(2);
    $("#add-pitch").focus();
    say(`From ${start.toFixed(2)} to ${end.toFixed(2)} s: write the pitch, then add the note`);
  };
  return el(
    "button",
    {
      type: "button",
      onpointerdown: down,
      onpointerup: up,
      onpointercancel: up,
      onpointerleave: up,
      onkeydown: (event) => {
        if (event.key === " " && !event.repeat) down();
      },
      onkeyup: (event) => {
        if (event.key === " ") up();
      },
    },
    "Hold while it sounds",
  );
}

let opened = false; // whether the reader opened a long list: hearing a note draws it anew

/** Notes in doubt, each with its reason, to be heard, and said to be right or corrected. */
function doubts() {
  const rows = melodyNotes().filter((note) => note.doubt);
  if (!rows.length) return null;
  const dropped = rows.filter((note) => note.doubt !== state.song.second_voice); // those are sung
  return el(
    "details",
    {
      open: opened || rows.length < 6,
      ontoggle: (event) => {
        opened = event.target.open;
      },
    },
    el("summary", {}, rows.length === 1 ? "1 note in doubt" : `${rows.length} notes in doubt`),
    el(
      "ul",
      { class: "cons" },
      ...rows.map((note) =>
        el(
          "li",
          {},
          `${note.start_s.toFixed(2)} s, ${printed(note.name)}: ${note.doubt}. `,
          el("button", { class: "plain", type: "button", onclick: () => hear(note) }, "hear"),
          " ",
          el(
            "button",
            { class: "plain", type: "button", onclick: () => set(note, `pitch ${note.name}`) },
            `keep: it is ${printed(note.name)}`,
          ),
          " ",
          el("button", { class: "plain", type: "button", onclick: () => set(note, "drop") }, "drop"),
        ),
      ),
    ),
    dropped.length ? button(dropWords(dropped.length, rows.length), () => dropAll(dropped)) : "",
  );
}

function dropWords(count, inDoubt) {
  if (count < inDoubt) return `Drop ${count} in doubt, none with a second voice`;
  return count === 1 ? "Drop the one in doubt" : `Drop all ${count} in doubt`;
}

/** Shows a note and plays it with a little of what is around it. */
function hear(note) {
  chooseNote(note.index);
  player?.playSpan([Math.max(0, note.start_s - 0.3), note.end_s + 0.3]);
}

/** One change, which Undo takes back as a whole. */
function dropAll(rows) {
  const add = rows.map((note) => ({ stem: state.song.melody, at_s: middle(note), set: "drop" }));
  return change("correct", { add }, `Dropped ${add.length} in doubt. Undo brings all of them back.`);
}

function made() {
  const rows = state.song.corrections;
  if (!rows.length) return null;
  return el(
    "details",
    {},
    el("summary", {}, `${rows.length} correction${rows.length === 1 ? "" : "s"} by hand`),
    el(
      "ul",
      { class: "cons" },
      ...rows.map((row) =>
        el(
          "li",
          {},
          `${row.stem} at ${row.at_s.toFixed(2)} s: ${row.set} `,
          el(
            "button",
            { class: "plain", type: "button", onclick: () => change("correct/remove", row, "Taken away") },
            "remove",
          ),
        ),
      ),
    ),
  );
}

function show() {
  if ($("#correct").hidden) return;
  const note = chosenNote();
  const body = state.song.is_song_file
    ? note
      ? editor(note)
      : el("p", { class: "quiet" }, "Choose a note in the picture first.")
    : el("p", { class: "quiet" }, "A bare recording has no song file to keep corrections in.");
  const more = state.song.is_song_file ? [adder(), doubts() ?? "", made() ?? ""] : [];
  $("#correct").replaceChildren(body, ...more);
}

// --- dragging a note up or down, or its ends -----------------------------------------------------

const FAR_PX = 3; // a press that moves less is a click
const GRIP = 7; // px at each end of a note that move its end, at most a quarter of it

/** Begins where the pointer goes down: which part of which note. */
function grip(event) {
  const group = event.target.closest?.(".note");
  if (!group || $("#correct").hidden || !state.song.is_song_file) return null;
  const box = $(".hit", group).getBoundingClientRect();
  const near = Math.min(GRIP, box.width / 4);
  const part = event.clientX < box.left + near ? "start" : event.clientX > box.right - near ? "end" : "pitch";
  return {
    part,
    x: event.clientX,
    y: event.clientY,
    moves: false,
    index: Number(group.dataset.note),
    reach: perSemitone(),
  };
}

/** What letting go here would set, in words of a correction; null for nothing. */
function pulled(from, event) {
  const note = melodyNotes().find((n) => n.index === from.index);
  if (!note) return null;
  if (from.part !== "pitch") {
    const at = timeAt(event);
    return at === null || Math.abs(at - note[`${from.part}_s`]) < 0.01
      ? null
      : `${from.part} ${at.toFixed(3)}`;
  }
  const steps = Math.round((from.y - event.clientY) / from.reach);
  return steps ? `pitch ${nameOf(Math.round(note.midi - (note.cents ?? 0) / 100) + steps)}` : null;
}

function drag() {
  let from = null;
  const pic = $("#pic");
  pic.addEventListener("pointerdown", (event) => {
    from = grip(event);
  });
  pic.addEventListener("pointermove", (event) => {
    if (!from || (!from.moves && Math.hypot(event.clientX - from.x, event.clientY - from.y) < FAR_PX)) return;
    if (!from.moves) pic.setPointerCapture(event.pointerId); // before that it may be a click
    from.moves = true;
    const words = pulled(from, event);
    $("#here").textContent = words
      ? `Let go to correct note ${from.index}: ${words}.`
      : `Drag to correct the ${from.part} of note ${from.index}.`;
  });
  const done = (event) => {
    if (!from) return;
    const words = event.type === "pointerup" && from.moves ? pulled(from, event) : null;
    const note = melodyNotes().find((n) => n.index === from.index);
    from = null;
    if (words && note) set(note, words);
  };
  pic.addEventListener("pointerup", done);
  pic.addEventListener("pointercancel", done);
}

const FLATS = ["C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A", "Bb", "B"];
const SHARPS = ["C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B"];
function nameOf(midi) {
  const names = /b|F/.test(state.song.key.tonic ?? "") ? FLATS : SHARPS;
  return `${names[((midi % 12) + 12) % 12]}${Math.floor(midi / 12) - 1}`;
}

/** The two modes: playing notes of a variant, and correcting what was sung. */
function correcting(isOn) {
  $("#correct").hidden = !isOn;
  $("#correct-toggle").setAttribute("aria-expanded", String(isOn));
  $("#pic").classList.toggle("sung", isOn);
  $("#sung-told").hidden = !isOn;
  show();
}

export function setUpCorrect() {
  $("#correct-toggle").addEventListener("click", () => correcting($("#correct").hidden));
  $("#sung-done").addEventListener("click", () => correcting(false));
  $("#pic").addEventListener("keydown", (event) => {
    if (event.key === "Escape" && !$("#correct").hidden) correcting(false);
  });
  on("note", show);
  on("song", show);
  on("place", show);
  drag();
}
