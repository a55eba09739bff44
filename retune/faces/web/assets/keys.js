// The keyboard: letters act outside text fields and can be turned off (WCAG 2.1.4).

import { $, $$, el, say } from "./dom.js";
import { exchange, pick, player, toggleLoop, togglePlay } from "./listen.js";
import { redo, save, undo } from "./keep.js";
import { stepEnding, stepNote, stepPhrase } from "./picture.js";
import { tap, tapsNow } from "./byear.js";
import { focusRules, replaceRule } from "./rules.js";
import { blindKey, toggleBlind } from "./blind-setup.js";
import { chosenNote, rules, state } from "./store.js";

const LIST = [
  ["O, V, M", "original, variant, matched control"],
  ["X", "exchange with the one heard before"],
  ["P", "play, pause; Enter in the picture too"],
  ["Space", "tap the beat, while “by ear” is open and the song plays"],
  ["L", "loop the phrase"],
  ["B", "listen blind"],
  [", .", "note before, after"],
  ["[ ]", "phrase before, after"],
  ["E, Shift+E", "next, last phrase ending"],
  ["1 to 7", "send the chosen note to that degree"],
  ["0", "chosen note back to what was sung"],
  ["Up, Down", "in the picture: chosen note by a scale step; Shift: a semitone; Alt: 10 cents"],
  ["R", "write rules; Esc comes back"],
  ["F6", "next region; Shift+F6 the one before"],
  ["Ctrl+S", "save the variant"],
  ["Ctrl+Z, Ctrl+Y", "undo, do again (outside text fields)"],
  ["?", "this list"],
];

const timeOf = (note) => `${((note.start_s + Math.min(note.end_s, note.start_s + 0.2)) / 2).toFixed(2)}s`;

/** Rules that the keys wrote for a note begin with these words. */
const wrote = (note) => (line) =>
  new RegExp(`^(move|shift) note at ${timeOf(note).replace(".", "\\.")} `).test(line.trim());

function sendTo(degree) {
  const note = chosenNote();
  if (!note) return say("Choose a note first");
  replaceRule(wrote(note), degree === "0" ? null : `move note at ${timeOf(note)} to degree ${degree}`);
  return undefined;
}

const UNITS = [
  ["cent", 10],
  ["semitone", 1],
  ["scale step", 1],
];
function nudge(up, unit) {
  const note = chosenNote();
  if (!note) return say("Choose a note first");
  const old = rules().find(wrote(note))?.trim() ?? "";
  const found = old.match(/(up|down) (\d+) (cent|semitone|scale step)s?$/);
  const [word, size] = UNITS[unit];
  let amount = (up ? 1 : -1) * size;
  if (found && found[3] === word) amount += (found[1] === "up" ? 1 : -1) * Number(found[2]);
  const many = Math.abs(amount) === 1 ? "" : "s";
  replaceRule(
    wrote(note),
    amount
      ? `shift note at ${timeOf(note)} ${amount > 0 ? "up" : "down"} ${Math.abs(amount)} ${word}${many}`
      : null,
  );
  return undefined;
}

function region(by) {
  const all = $$("section[aria-labelledby]").filter((section) => section.offsetParent);
  const here = all.findIndex((section) => section.contains(document.activeElement));
  const next = all[(here + by + all.length) % all.length];
  const heading = $("h1, h2", next);
  heading.tabIndex = -1;
  heading.focus();
}

const isTyping = (target) => target.matches("textarea, select, input[type=text], input[type=number]");

function commands(event) {
  const key = event.key.toLowerCase();
  if (key === "s") {
    event.preventDefault();
    save();
  }
  if (isTyping(event.target)) return;
  if (key === "z") {
    event.preventDefault();
    if (event.shiftKey) redo();
    else undo();
  }
  if (key === "y") {
    event.preventDefault();
    redo();
  }
}

function inPicture(event) {
  if (event.key === "Enter") {
    event.preventDefault();
    togglePlay();
    return true;
  }
  if (event.key !== "ArrowUp" && event.key !== "ArrowDown") return false;
  event.preventDefault();
  nudge(event.key === "ArrowUp", event.altKey ? 0 : event.shiftKey ? 1 : 2);
  return true;
}

const ACTS = {
  o: () => pick("original"),
  v: () => pick("variant"),
  m: () => pick("matched-control"),
  x: exchange,
  p: togglePlay,
  l: toggleLoop,
  b: toggleBlind,
  ",": () => stepNote(-1),
  ".": () => stepNote(1),
  "[": () => stepPhrase(-1),
  "]": () => stepPhrase(1),
  r: focusRules,
  "?": () => {
    $("#help").open = true;
    $("#help summary").focus();
  },
};
const WHILE_BLIND = new Set(["b", "?"]);

function pressed(event) {
  if (!state.song) return;
  if (event.key === "F6") {
    event.preventDefault();
    region(event.shiftKey ? -1 : 1);
    return;
  }
  if (event.ctrlKey || event.metaKey) {
    commands(event);
    return;
  }
  if (event.key === " " && !state.blind && tapsNow(event.target)) {
    event.preventDefault();
    if (!event.repeat) tap();
    return;
  }
  if (event.target.id === "pic" && !state.blind && inPicture(event)) return;
  if (event.altKey || isTyping(event.target) || !$("#letters").checked || !player) return;
  const key = event.key.toLowerCase();
  if (state.blind && blindKey(key)) {
    event.preventDefault();
    return;
  }
  if (state.blind && !WHILE_BLIND.has(key)) return;
  const act =
    ACTS[key] ??
    (key === "e"
      ? () => stepEnding(event.shiftKey ? -1 : 1)
      : /^[0-7]$/.test(key)
        ? () => sendTo(key)
        : null);
  if (!act) return;
  event.preventDefault();
  act();
}

export function setUpKeys() {
  document.addEventListener("keydown", pressed);
  // A button with the focus is pressed when the space bar is let go: not by a tap.
  document.addEventListener("keyup", (event) => {
    if (event.key === " " && state.song && tapsNow(event.target)) event.preventDefault();
  });
  $("#keys").append(...LIST.map(([keys, words]) => el("li", {}, el("b", {}, keys), el("span", {}, words))));
  $("#skip").addEventListener("click", (event) => {
    event.preventDefault();
    $("#s3").focus();
  });
  const letters = $("#letters");
  letters.checked = localStorage.getItem("letters") !== "off";
  letters.addEventListener("change", () => localStorage.setItem("letters", letters.checked ? "on" : "off"));
}
