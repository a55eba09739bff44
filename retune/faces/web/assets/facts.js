// The facts of the song above the picture, and the form that changes them.

import { $, el } from "./dom.js";
import { change, on, state } from "./store.js";

const FIELDS = [
  ["key", "key", "Such as Bb major; auto: guess from the melody."],
  ["meter", "meter", "Such as 3/4."],
  ["tempo_bpm", "tempo", "Beats a minute, or auto."],
  ["first_downbeat_s", "first downbeat", "Seconds from the start; what sounds before it is the pickup."],
  ["tuning_hz", "tuning", "A4 in Hz, or auto."],
  ["chords", "chords", "One cell a bar, as Bb | Gm | Eb . F7."],
  ["phrases", "phrases", "auto, every 4 bars, or [[start, end], ...] in seconds."],
  [
    "guide",
    "guide",
    "For a finished recording: a file beside the song file with its melody, as CSV, MIDI or hummed.",
  ],
];

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
      fact("meter", song.bars.meter),
      fact(
        "tempo",
        song.bars.tempo_bpm ? `${Number(song.bars.tempo_bpm.toFixed(1))} a minute${told("bars")}` : "",
      ),
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
  $("ul", box).replaceChildren(...song.warnings.map((text) => el("li", {}, text)));
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

function form() {
  const { given } = state.song;
  const rows = FIELDS.flatMap(([name, words, help]) => {
    const id = `fact-${name}`;
    return [
      el("label", { for: id }, words),
      el(
        "div",
        {},
        el("input", {
          type: "text",
          id,
          value: given[name],
          autocomplete: "off",
          "aria-describedby": `${id}-h`,
          size: name === "chords" || name === "phrases" ? 40 : 14,
        }),
        el("div", { class: "small quiet", id: `${id}-h` }, help),
      ),
    ];
  });
  const fault = el("p", { class: "warn", role: "alert", hidden: true });
  const send = async (event) => {
    event.preventDefault();
    const set = FIELDS.map(([name]) => ({ name, value: $(`#fact-${name}`).value.trim() })).filter(
      ({ name, value }) => value !== given[name],
    );
    if (!set.length || (await change("music", { set }, "Changed; heard anew"))) toggle();
    else {
      fault.hidden = false;
      fault.textContent = $("#status").textContent;
    }
  };
  $("#facts-form").replaceChildren(
    el(
      "form",
      { class: "facts-form", onsubmit: send },
      ...rows,
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
  on("song", show);
}
