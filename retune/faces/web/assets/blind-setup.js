// Listening blind in the workbench: what is asked and over which phrases; names, picture and rules hidden.

import { post } from "./api.js";
import { BlindTest } from "./blind.js";
import { $, $$, el, say } from "./dom.js";
import { player, showLevels } from "./listen.js";
import { draw } from "./picture.js";
import { on, phrases, rulesText, state, tell } from "./store.js";

const BEFORE_S = 0.35,
  AFTER_S = 0.6;
const WHO = [
  ["one", "one listener"],
  ["abx", "one listener, A, B and X"],
  ["rating", "one listener, ratings 1 to 7"],
  ["class", "a class, hands counted"],
];
let test = null;

/** A key pressed while blind; whether the test took it. */
export const blindKey = (key) => test?.key(key) ?? false;

const veil = (on) => {
  state.blind = on;
  $$(".seen").forEach((part) => {
    part.hidden = on;
  });
  $("#veiled").hidden = !on;
  $("#blind").hidden = !on;
};

export function toggleBlind() {
  if (!state.blind) begin();
  else if (test) test.leave();
  else end();
}

function begin() {
  const moved = [
    ...new Set(
      (state.plan?.rows ?? [])
        .filter((row) => row.before || row.note)
        .map((row) => phraseOf(row))
        .filter(Boolean),
    ),
  ];
  if (!moved.length) return say("A blind test needs a variant that moves a note: write a rule first");
  player.pause();
  veil(true);
  const listener = el("input", { type: "text", id: "listener", value: "listener", autocomplete: "off" });
  const pairs = el("input", { type: "number", id: "n-pairs", value: 16, min: 2, max: 64, step: 2 });
  const sheet = el("input", { type: "number", id: "sheet", value: 1, min: 1, max: 999 });
  const who = el("select", { id: "who" }, ...WHO.map(([value, words]) => el("option", { value }, words)));
  const phrase = moved.map((k) => el("input", { type: "checkbox", value: k, checked: true }));
  const power = el("p", { class: "small", "aria-live": "polite" });
  const settings = () => ({
    listener: listener.value.trim() || "listener",
    moved: phrase.filter((box) => box.checked).map((box) => Number(box.value)),
    pairs: Number(pairs.value),
    sheet: Number(sheet.value),
    who: who.value,
  });
  $("#blind").replaceChildren(
    el(
      "p",
      { class: "small" },
      "Each trial plays one phrase twice, with 2 seconds between. One side is the variant, the other " +
        "the matched control: the original through the same processing. Some pairs are identical, " +
        "as a check. The first is for practice.",
    ),
    el(
      "div",
      { class: "form" },
      el("label", { for: "who" }, "for"),
      who,
      el("label", { for: "listener" }, "name"),
      listener,
      el("label", { for: "n-pairs" }, "pairs"),
      pairs,
      el("label", { for: "sheet" }, "sheet"),
      sheet,
    ),
    el(
      "fieldset",
      { class: "set" },
      el("legend", { class: "hide" }, "Phrases asked about"),
      ...phrase.map((box) => el("label", { class: "row" }, box, ` phrase ${box.value}`)),
    ),
    power,
    el(
      "div",
      { class: "set" },
      el("button", { class: "main", type: "button", onclick: () => start(settings()) }, "Begin"),
      el("button", { class: "plain", type: "button", onclick: end }, "Leave the test"),
    ),
  );
  for (const part of [pairs, who, ...phrase])
    part.addEventListener("change", () => tellPower(power, settings()));
  tellPower(power, settings());
  who.focus();
  say("Listening blind");
  return undefined;
}

const phraseOf = (row) =>
  phrases().find((p) => row.at_s >= p.start_s - 0.05 && row.at_s < p.end_s + 0.05)?.index;

const designOf = ({ pairs, sheet, who, moved }) =>
  post("blind", {
    first: "matched-control",
    second: state.name,
    passages: moved.map((k) => `phrase ${k}`),
    n_pairs: pairs,
    n_identical: who === "abx" ? 0 : 2,
    rating: who === "rating",
    sheet,
  });

/** How much a test can find, told before it is begun. */
async function tellPower(place, settings) {
  try {
    place.textContent = (await designOf(settings)).power;
  } catch (error) {
    place.textContent = error.message;
  }
}

async function start({ listener, who, ...asked }) {
  try {
    const lines = rulesText();
    for (const kind of ["variant", "matched-control"]) {
      await player.follow(kind, lines);
      await player.level(kind, lines);
    }
    showLevels();
    player.setMatched(true);
    const design = await designOf({ who, ...asked });
    test = new BlindTest($("#blind"), {
      design,
      listener,
      who,
      play,
      stop: () => player.pause(),
      onend: end,
      say,
    });
  } catch (error) {
    say(error.message);
  }
}

function play(version, passage) {
  player.choose(version === state.name ? "variant" : version);
  return player.playSpan(spanOf(passage));
}

/** A phrase, with the one before for context. */
function spanOf(passage) {
  const phrase = phrases()[Number(passage.split(" ")[1]) - 1];
  const before = phrases()[phrase.index - 2];
  return [
    Math.max(0, (before ?? phrase).start_s - BEFORE_S),
    Math.min(phrase.end_s + AFTER_S, state.song.duration_s - 0.05),
  ];
}

function end() {
  test = null;
  player.pause();
  veil(false);
  draw();
  tell("status");
  $("#go-blind").focus();
}

export function setUpBlind() {
  $("#go-blind").addEventListener("click", toggleBlind);
  on("unheard", (words) => test?.told(words));
}
