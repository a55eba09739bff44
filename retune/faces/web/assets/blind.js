// Blind listening: names, picture and rules hidden, one question at a time, counted exactly.

import { post } from "./api.js";
import { $, $$, el, say } from "./dom.js";
import { player, showLevels } from "./listen.js";
import { draw } from "./picture.js";
import { phrases, rulesText, state, tell } from "./store.js";

const GAP_MS = 2000;
const BEFORE_S = 0.35, AFTER_S = 0.6;
let test = null;

const veil = (on) => {
  state.blind = on;
  $$(".seen").forEach((part) => { part.hidden = on; });
  $("#veiled").hidden = !on;
  $("#blind").hidden = !on;
};

export function toggleBlind() {
  if (state.blind) end();
  else begin();
}

function begin() {
  const moved = [...new Set((state.plan?.rows ?? []).filter((row) => row.before || row.note).map((row) => phraseOf(row)).filter(Boolean))];
  if (!moved.length) return say("A blind test needs a variant that moves a note: write a rule first");
  player.pause();
  veil(true);
  const listener = el("input", { type: "text", id: "listener", value: "listener", autocomplete: "off" });
  const pairs = el("input", { type: "number", id: "n-pairs", value: 16, min: 2, max: 64, step: 2 });
  const sheet = el("input", { type: "number", id: "sheet", value: 1, min: 1, max: 999 });
  const kind = el("select", { id: "who" }, el("option", { value: "one" }, "one listener"), el("option", { value: "abx" }, "one listener, A, B and X"), el("option", { value: "rating" }, "one listener, ratings 1 to 7"), el("option", { value: "class" }, "a class, hands counted"));
  $("#blind").replaceChildren(
    el("p", { class: "small" }, "Each question plays one phrase twice, with 2 seconds between. One side is the variant, the other the matched control: the original through the same processing. Some pairs are the same twice, as a check. The first is for practice."),
    el("div", { class: "form" }, el("label", { for: "who" }, "for"), kind, el("label", { for: "listener" }, "name"), listener,
      el("label", { for: "n-pairs" }, "pairs"), pairs, el("label", { for: "sheet" }, "order"), sheet),
    el("div", { class: "set" }, el("button", { class: "main", type: "button", onclick: () => start({ listener: listener.value.trim() || "listener", pairs: Number(pairs.value), sheet: Number(sheet.value), isClass: kind.value === "class", isAbx: kind.value === "abx", isRating: kind.value === "rating" }, moved) }, "Begin"),
      el("button", { class: "plain", type: "button", onclick: end }, "End blind listening")));
  $("#who").focus();
  say("Blind listening");
  return undefined;
}

const phraseOf = (row) => phrases().find((p) => row.at_s >= p.start_s - 0.05 && row.at_s < p.end_s + 0.05)?.index;

async function start(settings, moved) {
  try {
    const lines = rulesText();
    await player.follow("variant", lines);
    await player.follow("matched-control", lines);
    await player.level("variant", lines);
    await player.level("matched-control", lines);
    showLevels();
    player.setMatched(true);
    const design = await post("blind", { first: "matched-control", second: state.name, passages: moved.map((k) => `phrase ${k}`), n_pairs: settings.pairs, n_identical: settings.isAbx ? 0 : 2, rating: settings.isRating, sheet: settings.sheet });
    test = { ...settings, design, at: 0, answers: [], run: 0 };
    ask();
  } catch (error) {
    say(error.message);
  }
}

const wait = (ms) => new Promise((resolve) => { setTimeout(resolve, ms); });

/** The phrase of a trial, with the one before for context. */
function spanOf(trial) {
  const phrase = phrases()[Number(trial.passage.split(" ")[1]) - 1];
  const before = phrases()[phrase.index - 2];
  return [Math.max(0, (before ?? phrase).start_s - BEFORE_S), Math.min(phrase.end_s + AFTER_S, state.song.duration_s - 0.05)];
}

/** A is the matched control, B the variant, X one of them: each may be heard as often as wished. */
function askAbx() {
  const trial = test.design.trials[test.at];
  const span = spanOf(trial);
  const [a, b] = test.design.versions;
  const words = el("p", { "aria-live": "polite" }, "Hear A, B and X as often as you wish.");
  const hearing = [["A", a], ["B", b], ["X", trial.first]].map(([name, version]) => el("button", { type: "button", onclick: async () => {
    test.run += 1;
    words.textContent = `${name} sounds.`;
    if (await hear(version, span, test.run)) words.textContent = `That was ${name}.`;
  } }, `Hear ${name}`));
  const answers = [["A", a], ["B", b]].map(([name, version]) => el("button", { type: "button", onclick: () => { test.run += 1; player.pause(); answer(version === trial.first ? "right" : "wrong"); } }, `X is ${name}`));
  const kind = trial.kind === "practice" ? "Practice" : `Question ${test.at + 1} of ${test.design.trials.length}`;
  $("#blind").replaceChildren(el("div", { class: "trial" }, el("p", {}, el("b", {}, `${kind}. `), "Which one is X?"), words,
    el("div", { class: "set" }, ...hearing), el("div", { class: "set" }, ...answers)), el("button", { class: "plain", type: "button", onclick: end }, "End blind listening, show the results"));
  hearing[0].focus();
  say(`Blind listening, ${kind.toLowerCase()}`);
}

/** Plays the passage of a version to its end; false when another trial began meanwhile. */
async function hear(version, span, run) {
  player.setLoop(null);
  player.choose(version === state.name ? "variant" : version);
  await player.play(span[0]);
  while (player.playing && player.now() < span[1]) {
    await wait(20);
    if (!test || test.run !== run) return false;
  }
  player.pause();
  return true;
}

function ask() {
  if (test.isAbx) askAbx();
  else askPair();
}

function askPair() {
  const trial = test.design.trials[test.at];
  const span = spanOf(trial);
  const words = el("p", { "aria-live": "polite" }, "Press Play when you are ready.");
  const answers = test.isClass ? hands() : trial.second ? choices() : ratings();
  const play = el("button", { class: "main", type: "button" }, trial.second ? "Play both" : "Play it");
  play.addEventListener("click", async () => {
    test.run += 1;
    const { run } = test;
    words.textContent = trial.second ? "The first sounds." : "It sounds.";
    if (!await hear(trial.first, span, run)) return;
    if (trial.second) {
      words.textContent = "Silence.";
      await wait(GAP_MS);
      if (!test || test.run !== run) return;
      words.textContent = "The second sounds.";
      if (!await hear(trial.second, span, run)) return;
    }
    words.textContent = "Now answer.";
    answers.hidden = false;
    play.hidden = true;
    answers.querySelector("button, input")?.focus();
  });
  answers.hidden = true;
  const kind = trial.kind === "practice" ? "Practice" : `Question ${test.at + 1} of ${test.design.trials.length}`;
  $("#blind").replaceChildren(el("div", { class: "trial" }, el("p", {}, el("b", {}, `${kind}. `), test.design.question), words,
    el("div", { class: "set" }, play), answers), el("button", { class: "plain", type: "button", onclick: end }, "End blind listening, show the results"));
  play.focus();
  say(`Blind listening, ${kind.toLowerCase()}`);
}

function choices() {
  return el("div", { class: "set" }, ...["first", "second"].map((side) => el("button", { type: "button", onclick: () => answer(side) }, `The ${side}`)));
}

function ratings() {
  return el("div", { class: "set", role: "group", "aria-label": "Rating" }, ...[1, 2, 3, 4, 5, 6, 7].map((number) => el("button", { type: "button", onclick: () => answer(String(number)) }, String(number))));
}

function hands() {
  const [a, b] = ["first", "second"].map((side) => el("input", { type: "number", min: 0, max: 999, value: 0, "aria-label": `Hands for the ${side}` }));
  return el("div", { class: "set" }, "first", a, "second", b, el("button", { type: "button", onclick: () => answer(`first:${Number(a.value)} second:${Number(b.value)}`) }, "Next"));
}

function answer(text) {
  const trial = test.design.trials[test.at];
  const kind = test.isClass && trial.kind !== "practice" ? "hands" : trial.kind;
  if (!(test.isClass && trial.kind === "practice")) test.answers.push({ ...trial, kind, answer: text });
  test.at += 1;
  if (test.at < test.design.trials.length) ask();
  else results();
}

/** As retune writes tables: text that a spreadsheet would take for a formula gets an apostrophe. */
const field = (value) => {
  const plain = typeof value === "string" && /^[=+\-@\t\r\n＝＋－＠]/.test(value) ? `'${value}` : String(value);
  return /[",\r\n]/.test(plain) ? `"${plain.replaceAll('"', '""')}"` : plain;
};
const abxCsv = () => ["listener,sheet,trial,kind,passage,a,b,x,answer",
  ...test.answers.map((t) => [test.listener, test.sheet, t.number, t.kind === "practice" ? "practice" : "abx", t.passage, ...test.design.versions, t.first, t.answer].map(field).join(","))].join("\n") + "\n";
const csv = () => ["listener,sheet,trial,kind,passage,first,second,answer",
  ...test.answers.map((a) => [test.listener, test.sheet, a.number, a.kind, a.passage, a.first, a.second, a.answer].map(field).join(","))].join("\n") + "\n";

async function results() {
  player.pause();
  const text = test.isAbx ? abxCsv() : csv();
  const done = [el("div", { class: "set" }, el("button", { type: "button", onclick: () => download(text) }, "Keep the answers (CSV)"), el("button", { class: "main", type: "button", onclick: end }, "Back to the picture"))];
  if (test.isAbx) {
    const counted = test.answers.filter((t) => t.kind !== "practice");
    const right = counted.filter((t) => t.answer === "right").length;
    const got = await post("blind/score", { right, of: counted.length }).catch((error) => ({ verdict: error.message }));
    $("#blind").replaceChildren(el("h3", {}, "Results"), el("p", {}, got.verdict), ...done);
    test.done = true;
    return;
  }
  try {
    const tally = await post("blind/tally", { csv: text });
    const words = [];
    for (const pair of tally.pairs) {
      words.push(el("p", {}, pair.pooled.verdict));
      words.push(el("p", { class: "small quiet" }, `The first heard was chosen in ${pair.first_heard[0]} of ${pair.first_heard[1]} trials.`));
    }
    for (const rated of tally.ratings) words.push(el("p", {}, `${rated.version}: rated ${rated.mean.toFixed(1)} on average, ${rated.median} in the middle, of ${rated.n}.`));
    if (tally.identical.n) words.push(el("p", { class: "small quiet" }, `In pairs of the same twice: the first ${tally.identical.first} of ${tally.identical.n}.`));
    for (const [pair, counts] of Object.entries(tally.hands)) words.push(el("p", {}, `${pair}: hands ${counts.join(" and ")}. Hands influence each other, so no p is given.`));
    if (!words.length) words.push(el("p", {}, "No counted answers yet, nothing to say."));
    words.push(...tally.warnings.map((line) => el("p", { class: "small quiet" }, line)));
    $("#blind").replaceChildren(el("h3", {}, "Results"), ...words, ...done);
  } catch (error) {
    $("#blind").replaceChildren(el("p", {}, error.message), ...done);
  }
  test.done = true;
  say("Blind listening: results");
}

function download(text) {
  const link = el("a", { href: URL.createObjectURL(new Blob([text], { type: "text/csv" })), download: `${test.listener.replace(/[^A-Za-z0-9_-]+/g, "-")}-${test.sheet}.csv` });
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 1000);
}

function end() {
  if (test && !test.done && test.answers.some((a) => a.kind !== "practice")) {
    test.run += 1;
    results();
    return;
  }
  if (test) test.run += 1;
  test = null;
  player.pause();
  veil(false);
  draw();
  tell("status");
  $("#go-blind").focus();
}

export function setUpBlind() {
  $("#go-blind").addEventListener("click", toggleBlind);
}
