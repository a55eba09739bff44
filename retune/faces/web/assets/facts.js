// The facts of the song above the picture, and the form that changes them.

import { $, el, quoted } from "./dom.js";
import { clearFaults, faultUnder } from "./field-fault.js";
import { hummer } from "./hum.js";
import { overviewStrip } from "./overview.js";
import { change, on, state } from "./store.js";

const FIELDS = [
  ["title", "title", ""],
  ["rights", "rights", "Whose song and recording it is; shown on every page and written into every file."],
  ["key", "key", "Such as Bb major; auto: as heard."],
  ["keys", "changes of key", "Such as 17:1 G major, 33:1 Bb major: bar and beat, then the key."],
  ["meter", "meter", "Such as 3/4."],
  ["meters", "changes of meter", "Such as 17:1 4/4, 33:1 3/4: bar and beat, then the meter."],
  ["tempo_bpm", "tempo", "Beats a minute, or auto."],
  ["tempos", "changes of tempo", "Such as 17:1 96, 24:3 72: bar and beat, then beats a minute."],
  [
    "tempo_map",
    "tempo map",
    "A MIDI file beside the song file whose tempo track has every meter and tempo; instead of the four above.",
  ],
  ["first_downbeat_s", "first downbeat", "Seconds from the start; what sounds before it is the pickup."],
  ["tuning_hz", "tuning", "A4 in Hz, or auto."],
  ["chords", "chords", "One cell a bar, as Bb | Gm | Eb . F7."],
  ["phrases", "phrases", "auto, every 4 bars, or [[start, end], ...] in seconds."],
  ["sections", "sections", "Such as 1:1 verse, 9:1 chorus. Empty: found by what comes again."],
  ["lyrics", "lyrics", "One line a phrase; - between syllables, _ for each further note of one."],
  [
    "guide",
    "guide",
    "A file beside the song file with the melody: of a mix as CSV, MIDI or hummed; of stems a score, as MIDI or MusicXML.",
  ],
  ["passage", "passage", "The part that is worked on, as 0:48-1:12 or 9:1-17:1. Empty: all of it."],
];
const LONG = ["title", "rights", "phrases", "keys", "meters", "tempos", "sections"];
const ROLES = ["melody", "bass", "harmony", "double", "backing", "unpitched", "mix"];
const MOVES = ["keep", "scale steps", "semitones"];

function fact(name, value) {
  return value ? el("div", {}, el("dt", {}, name), el("dd", {}, value)) : null;
}

/** "(estimated, 7 of 10 sure)" behind a fact that was heard. */
const told = (name) => (state.song.told[name] ? ` (${state.song.told[name]})` : "");

function show() {
  const { song } = state;
  document.title = `${song.title}, retune`;
  $("#s1").textContent = song.title;
  const melody = song.stems[song.melody];
  const count = melody ? melody.phrases.length : 0;
  const many = (n, word) => (n ? `${n} ${word}${n === 1 ? "" : "s"}` : "");
  const length = [many(song.n_bars, "bar"), many(count, "phrase")].filter(Boolean).join(", ");
  const edit = el(
    "button",
    {
      class: "plain",
      type: "button",
      id: "edit-facts",
      "aria-expanded": String(!$("#facts-form").hidden),
      onclick: toggle,
    },
    "Change these facts",
  );
  $("#facts").replaceChildren(
    ...[
      fact("key", song.key_name ? `${song.key_name}${told("key")}` : "not known"),
      fact("meter", song.meter_words),
      fact("tempo", song.tempo_words ? `${song.tempo_words}${told("bars")}` : ""),
      fact("chords", song.told.chords),
      fact("made", melody?.role === "mix" ? "from a full mix: approximate" : ""),
      fact("length", length),
      fact("tuning", song.tuning_hz ? `A4 = ${song.tuning_hz.toFixed(1)} Hz` : ""),
      fact("stems", song.sound.map((stem) => stem.name).join(", ")),
      fact("rights", song.rights),
      song.is_song_file ? el("div", {}, el("dt", { class: "hide" }, "edit"), el("dd", {}, edit)) : null,
    ].filter(Boolean),
  );
  const box = $("#warnings");
  box.hidden = !song.warnings.length;
  $("summary", box).textContent =
    song.warnings.length === 1
      ? "1 remark on the recording"
      : `${song.warnings.length} remarks on the recording`;
  $("ul", box).replaceChildren(...song.warnings.map((text) => el("li", {}, quoted(text))));
  $("#from-mix").hidden = melody?.role !== "mix";
  if (!$("#facts-form").hidden) form();
}

function toggle() {
  const box = $("#facts-form");
  box.hidden = !box.hidden;
  $("#edit-facts").setAttribute("aria-expanded", String(!box.hidden));
  if (box.hidden) return;
  form();
  $("input", box).focus();
}

function pick(id, label, options, value) {
  const select = el(
    "select",
    { id, "aria-label": label },
    ...options.map((option) => el("option", { value: option }, option)),
  );
  select.value = value;
  return select;
}

const text = (id, value, more = {}) => el("input", { type: "text", id, value, autocomplete: "off", ...more });

/** The fields of one stem: [name of the fact, the field, words beside it]. */
function stemFields(stem) {
  const id = (fact) => `fact-${stem.name}.${fact}`;
  const label = (words) => `${words} of ${stem.name}`;
  const found = [
    ["role", pick(id("role"), label("role"), ROLES, stem.role)],
    ["gain_db", text(id("gain_db"), stem.gain_db, { size: 5, "aria-label": label("gain in dB") }), "dB"],
  ];
  if (stem.role === "harmony")
    found.push([
      "when_melody_moves",
      pick(id("when_melody_moves"), label("when the melody moves"), MOVES, stem.when_melody_moves),
      "when the melody moves",
    ]);
  if (stem.role === "mix")
    found.push([
      "voice",
      text(id("voice"), stem.voice, { size: 14, "aria-label": label("voice file") }),
      "file with its voice alone",
    ]);
  return found;
}

function field(name, help, value) {
  const id = `fact-${name}`;
  const more = { "aria-describedby": `${id}-h` };
  const input = ["lyrics", "chords"].includes(name)
    ? el("textarea", { id, rows: Math.min(8, Math.max(2, value.split("\n").length)), value, ...more })
    : text(id, value, { size: LONG.includes(name) ? 40 : 14, ...more });
  const parts = [input, help ? el("div", { class: "small quiet", id: `${id}-h` }, help) : ""];
  if (name === "guide" && state.song.stems[state.song.melody]?.role === "mix")
    parts.push(
      hummer((file) => {
        input.value = file;
      }),
    );
  if (name === "passage") parts.push(choosePart(input));
  return el("div", {}, ...parts);
}

/** Shows the whole recording to choose a part from. */
function choosePart(input) {
  const box = el("div", {});
  const shown = async () => {
    try {
      box.replaceChildren(
        await overviewStrip((passage) => {
          input.value = passage;
        }),
      );
    } catch (error) {
      box.replaceChildren(el("p", { class: "warn" }, error.message));
    }
  };
  box.append(
    el(
      "button",
      { class: "plain", type: "button", id: "show-whole", onclick: shown },
      "choose it in the recording",
    ),
  );
  return box;
}

let refusal = null; // why the server took no change last

function form() {
  const { given } = state.song;
  const rows = FIELDS.flatMap(([name, words, help]) => [
    el("label", { for: `fact-${name}` }, words),
    field(name, help, given[name]),
  ]);
  const ofStems = given.stems.map((stem) => [stem, stemFields(stem)]);
  const stems = ofStems.flatMap(([stem, found]) => [
    el("span", {}, stem.name),
    el(
      "div",
      { class: "set" },
      ...found.map(([, input, words]) =>
        words ? el("span", { class: "beside" }, input, el("span", { class: "quiet" }, words)) : input,
      ),
    ),
  ]);
  const fault = el("p", { class: "warn", role: "alert", hidden: true });
  const send = async (event) => {
    event.preventDefault();
    const set = [
      ...FIELDS.map(([name]) => [name, $(`#fact-${name}`), given[name]]),
      ...ofStems.flatMap(([stem, found]) =>
        found.map(([fact, input]) => [`${stem.name}.${fact}`, input, stem[fact]]),
      ),
    ]
      .filter(([, input, was]) => input.value.trim() !== String(was).trim())
      .map(([name, input]) => ({ name, value: input.value.trim() }));
    clearFaults($("#facts-form"));
    fault.hidden = true;
    refusal = null;
    if (!set.length || (await change("music", { set }, "Changed; heard anew"))) return toggle();
    const field = refusal?.field && document.getElementById(`fact-${refusal.field}`);
    if (field) return faultUnder(field, refusal.why);
    fault.hidden = false;
    fault.textContent = $("#status").textContent;
    return undefined;
  };
  $("#facts-form").replaceChildren(
    el(
      "form",
      { class: "facts-form", onsubmit: send },
      ...rows,
      el("p", { class: "group" }, el("i", {}, "Stems")),
      ...stems,
      el("span"),
      el(
        "div",
        { class: "set" },
        el("button", { type: "submit", class: "main" }, "Change"),
        el("button", { type: "button", class: "plain", onclick: toggle }, "leave them"),
      ),
      el("span"),
      fault,
    ),
  );
}

export function setUpFacts() {
  on("refused", (error) => {
    refusal = error;
  });
  on("song", show);
}
