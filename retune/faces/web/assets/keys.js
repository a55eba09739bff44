// The keyboard: letters act outside text fields and can be turned off (WCAG 2.1.4).

import { $, $$, el } from "./dom.js";
import { isLarge, largeKey, openLarge } from "./large.js";
import { exchange, pick, player, toggleLoop, togglePlay } from "./listen.js";
import { redo, save, undo } from "./keep.js";
import { nudge, putBack, sendToDegree, sound } from "./play.js";
import { stepEnding, stepNote, stepPhrase } from "./picture.js";
import { tap, tapsNow } from "./byear.js";
import { focusRules } from "./rules.js";
import { blindKey, toggleBlind } from "./blind-setup.js";
import { state } from "./store.js";
import { pianoKey } from "./tones.js";

const LIST = [
  ["O, V, M", "original, variant, matched control"],
  ["X", "exchange with the previous"],
  ["P", "play, pause; Enter in the picture too"],
  ["Space", "tap the beat, while “by ear” is open and the song plays"],
  ["L", "loop the phrase"],
  ["B", "listen blind"],
  [
    "S",
    "show large, for a hall: 1 to 9 or Page Down and Page Up choose what sounds, D dark or light, Esc back",
  ],
  [", .", "note before, after"],
  ["[ ]", "phrase before, after"],
  ["E, Shift+E", "next, previous phrase ending"],
  ["1 to 7", "send the chosen note to that degree"],
  ["Backspace", "chosen note back to what was sung"],
  ["T", "a plain tone of the chosen note"],
  ["Up, Down", "in the picture: chosen note by a scale step; Shift: a semitone; Alt: 10 cents"],
  ["R", "write rules; Esc comes back"],
  ["F6", "next region; Shift+F6 the one before"],
  ["Ctrl+S", "save the variant"],
  ["Ctrl+Z, Ctrl+Y", "undo, redo (outside text fields)"],
  ["?", "this list"],
];

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
  nudge(event.key === "ArrowUp", event.altKey ? "cents" : event.shiftKey ? "semitone" : "scale step");
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
  s: openLarge,
  ",": () => stepNote(-1),
  ".": () => stepNote(1),
  "[": () => stepPhrase(-1),
  "]": () => stepPhrase(1),
  r: focusRules,
  t: sound,
  backspace: putBack,
  "?": () => {
    $("#help").open = true;
    $("#help summary").focus();
  },
};
const WHILE_BLIND = new Set(["b", "?"]);
const WHILE_LARGE = new Set(["o", "v", "m", "x", "p", "l", "[", "]"]);

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
  if (isLarge()) {
    if (largeKey(event.key)) event.preventDefault();
    else if (WHILE_LARGE.has(key)) ACTS[key]();
    return;
  }
  if (!state.blind && pianoKey(event)) {
    event.preventDefault();
    return;
  }
  if (state.blind && blindKey(key)) {
    event.preventDefault();
    return;
  }
  if (state.blind && !WHILE_BLIND.has(key)) return;
  const act =
    ACTS[key] ??
    (key === "e"
      ? () => stepEnding(event.shiftKey ? -1 : 1)
      : /^[1-7]$/.test(key)
        ? () => sendToDegree(key)
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
