// Correcting by hand what was heard: each change is saved to the song file at once, and undone.

import { $, el, minus, printed, say, typed } from "./dom.js";
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

function field(words, id, value, done, more = {}) {
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
    el("label", { for: id }, el("i", {}, words)),
    input,
    el("button", { type: "button", onclick: () => done(input.value.trim()) }, "Set"),
  ];
}

const button = (words, act) => el("button", { type: "button", onclick: act }, words);

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
  return el(
    "div",
    { class: "correcting" },
    el(
      "p",
      {},
      `Note ${note.index}: ${printed(note.name)}, from ${note.start_s.toFixed(2)} to ${note.end_s.toFixed(2)} s, ${minus(note.cents ?? 0, 0)} cents from the name.`,
    ),
    el(
      "div",
      { class: "set" },
      ...field("pitch", "set-pitch", typed(note.name), (text) => set(note, `pitch ${text}`)),
      ...field("or degree", "set-degree", note.degree ?? "", (text) => set(note, `degree ${text}`), {
        size: 3,
      }),
      button("Octave up", () => set(note, "octave up")),
      button("Octave down", () => set(note, "octave down")),
    ),
    el(
      "div",
      { class: "set" },
      ...field("start", "set-start", note.start_s.toFixed(3), (text) => seconds(text, note, "start")),
      button("10 ms earlier", () => nudge("start", -0.01)),
      button("10 ms later", () => nudge("start", 0.01)),
    ),
    el(
      "div",
      { class: "set" },
      ...field("end", "set-end", note.end_s.toFixed(3), (text) => seconds(text, note, "end")),
      button("10 ms earlier", () => nudge("end", -0.01)),
      button("10 ms later", () => nudge("end", 0.01)),
    ),
    el(
      "div",
      { class: "set" },
      button("Split in two", () => set(note, "split")),
      button("Merge with the next", () => set(note, "merge next")),
      button("Not a note: drop it", () => set(note, "drop")),
      button(isEnding ? "Not a phrase ending" : "A phrase ends here", () =>
        set(note, isEnding ? "not an ending" : "ending here"),
      ),
    ),
  );
}

/** Puts in a note that was not heard; in a finished mix it becomes part of the guide. */
function adder() {
  const from = state.place;
  const inputs = { pitch: "", start: from.toFixed(2), end: (from + 0.5).toFixed(2) };
  const fields = Object.entries(inputs).map(([word, value]) => {
    const input = el("input", { type: "text", id: `add-${word}`, value, size: 6, autocomplete: "off" });
    return el("span", { class: "set" }, el("label", { for: `add-${word}` }, el("i", {}, word)), input);
  });
  const add = () => {
    const [pitch, start, end] = Object.keys(inputs).map((word) =>
      $(`#add-${word}`).value.trim().replace(",", "."),
    );
    const name = typed(pitch);
    if (!name || !(Number(end) > Number(start)))
      return say("A note needs a pitch such as F4, a start, and a later end, in seconds");
    return change(
      "correct",
      { add: [{ stem: state.song.melody, at_s: Number(start), set: `add ${name} to ${end}` }] },
      `Added ${printed(name)}. Undo takes it back.`,
    );
  };
  return el("div", { class: "set" }, ...fields, tapper(), button("Add a note", add));
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
    button(rows.length === 1 ? "Drop the one in doubt" : `Drop all ${rows.length} in doubt`, () =>
      dropAll(rows),
    ),
  );
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
            "take away",
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

const GRIP = 7; // px at each end of a note that move its end, at most a quarter of it

/** Begins where the pointer goes down: which part of which note. */
function grip(event) {
  const group = event.target.closest?.(".note");
  if (!group || $("#correct").hidden || !state.song.is_song_file) return null;
  const box = $(".hit", group).getBoundingClientRect();
  const near = Math.min(GRIP, box.width / 4);
  const part = event.clientX < box.left + near ? "start" : event.clientX > box.right - near ? "end" : "pitch";
  return { part, y: event.clientY, index: Number(group.dataset.note), reach: perSemitone() };
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
    if (from) pic.setPointerCapture(event.pointerId);
  });
  pic.addEventListener("pointermove", (event) => {
    if (!from) return;
    const words = pulled(from, event);
    $("#here").textContent = words
      ? `Let go to correct note ${from.index}: ${words}.`
      : `Drag to correct the ${from.part} of note ${from.index}.`;
  });
  const done = (event) => {
    if (!from) return;
    const words = event.type === "pointerup" ? pulled(from, event) : null;
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

/** Height of a semitone on the screen: two notes of different pitch tell it. */
function perSemitone() {
  const seen = melodyNotes()
    .map((note) => {
      const hit = $(`#drawing .note[data-note="${note.index}"] .hit`);
      return hit && [note.midi, hit.getBoundingClientRect()];
    })
    .filter(Boolean)
    .map(([midi, box]) => [midi, box.y + box.height / 2])
    .sort((a, b) => a[0] - b[0]);
  const [low, high] = [seen[0], seen[seen.length - 1]];
  const reach = low && high ? high[0] - low[0] : 0;
  return reach > 0.5 ? Math.max(4, (low[1] - high[1]) / reach) : 16;
}

export function setUpCorrect() {
  $("#correct-toggle").addEventListener("click", () => {
    const box = $("#correct");
    box.hidden = !box.hidden;
    $("#correct-toggle").setAttribute("aria-expanded", String(!box.hidden));
    show();
  });
  on("note", show);
  on("song", show);
  on("place", show);
  drag();
}
