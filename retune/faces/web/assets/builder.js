// A sentence from drop-downs, for those who do not type; and variants worth hearing.

import { post } from "./api.js";
import { $, el, say } from "./dom.js";
import { addRule } from "./rules.js";
import { choose, on, phrases, state, tell } from "./store.js";

const FIRST = 4;
const DEGREES = ["1", "2", "3", "4", "5", "6", "7"];
const WHAT = () => {
  const endings = [
    ...new Set(
      phrases()
        .map((p) => p.ending_degree)
        .filter(Boolean),
    ),
  ].sort((a, b) => Number(a === "1") - Number(b === "1") || a.localeCompare(b));
  return [
    ...endings.map((d) => `phrase-ending degree ${d}`),
    "phrase-ending note",
    "highest note",
    "lowest note",
    "longest note",
    "phrase-downbeat note",
    ...DEGREES.map((d) => `every degree ${d}`),
  ];
};
const TARGETS = [
  ...DEGREES.map((d) => `degree ${d}`),
  "nearest chord tone",
  "chord root",
  "chord third",
  "chord fifth",
];
const AMOUNTS = [
  "up 1 scale step",
  "down 1 scale step",
  "up 1 semitone",
  "down 1 semitone",
  "up a third",
  "down a third",
  "up 1 octave",
  "down 1 octave",
];
// What stands behind the notes of a rule that moves them in time; N is how long.
const TIMED = { hold: " N longer", shorten: " by N", delay: " by N", bring: " N earlier", suspend: "" };
const LENGTHS = ["1 beat", "0.5 beats", "2 beats", "0.25 beats"];
const PLACES = () => [
  "everywhere",
  ...phrases().map((p) => `in phrase ${p.index}`),
  "except the last phrase",
  "over tonic chord",
  "over other than tonic chord",
  "where it is not a chord tone",
  "on weak beats",
  "after a leap",
  "after a fall",
  "in open phrases",
  "in second half of song",
];

const select = (label, options) =>
  el("select", { "aria-label": label }, ...options.map((text) => el("option", { value: text }, text)));

function show() {
  const verb = select("verb", ["move", "shift", "keep", ...Object.keys(TIMED)]);
  const what = select("what", WHAT());
  const to = el("span", {}, "to");
  const target = select("target", TARGETS);
  const amount = select("how far", AMOUNTS);
  const length = select("how long", LENGTHS);
  const where = select("where", PLACES());
  const shown = () => {
    to.hidden = target.hidden = verb.value !== "move";
    amount.hidden = verb.value !== "shift";
    length.hidden = !TIMED[verb.value] || verb.value === "suspend";
  };
  // A degree moved to itself is no change: the first offer is one that can be heard.
  const apart = () => {
    if (what.value.endsWith(` ${target.value}`))
      target.value = target.value === "degree 1" ? "degree 3" : "degree 1";
  };
  verb.addEventListener("change", shown);
  what.addEventListener("change", apart);
  shown();
  apart();
  const sentence = () => {
    const timed = TIMED[verb.value]?.replace("N", length.value);
    const end = timed ?? { move: ` to ${target.value}`, shift: ` ${amount.value}`, keep: "" }[verb.value];
    const place = where.value === "everywhere" ? "" : ` ${where.value}`;
    return `${verb.value} ${what.value}${end}${place}`;
  };
  $("#build").replaceChildren(
    verb,
    what,
    to,
    target,
    amount,
    length,
    where,
    el("button", { type: "button", onclick: () => addRule(sentence()) }, "Add"),
  );
}

async function suggest() {
  const box = $("#suggestions");
  if (!box.hidden) {
    box.hidden = true;
    return;
  }
  let got;
  try {
    got = await post("suggest");
  } catch (error) {
    say(error.message);
    return;
  }
  box.hidden = false;
  list(box, got.variants, FIRST);
}

/** The first few suggestions, and a button for the rest. */
function list(box, variants, count) {
  const more =
    variants.length > count
      ? el(
          "button",
          { class: "plain", type: "button", onclick: () => list(box, variants, variants.length) },
          `show all ${variants.length}`,
        )
      : null;
  box.replaceChildren(
    ...variants
      .slice(0, count)
      .map((variant) =>
        el(
          "div",
          { class: "suggestion" },
          el("p", {}, el("b", {}, variant.name), `: ${variant.about}`),
          el("p", { class: "small quiet" }, variant.reason),
          el("button", { type: "button", onclick: () => take(variant) }, "Try this one"),
        ),
      ),
    more ?? "",
    ...(variants.length ? [] : [el("p", { class: "quiet" }, "Nothing stands out in this song.")]),
  );
}

function take(variant) {
  let name = variant.name;
  for (let k = 2; state.drafts.has(name); k += 1) name = `${variant.name}-${k}`;
  state.drafts.set(name, { rules: [...variant.rules], about: variant.about });
  $("#suggestions").hidden = true;
  choose(name);
  tell("rules");
}

export function setUpBuilder() {
  on("song", show);
  $("#suggest").addEventListener("click", suggest);
}
