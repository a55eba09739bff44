// The picture: drawn by the server for the width of the page, chosen and played from here.

import { post } from "./api.js";
import { $, $$, settled } from "./dom.js";
import {
  chooseNote,
  chosenNote,
  melodyNotes,
  on,
  phraseAt,
  phrases,
  rulesText,
  state,
  tell,
} from "./store.js";

const WHOLE_BARS = 32;
const OTHERS = ["harmony", "bass"]; // roles of lines that may stand beside the melody
const style = new CSSStyleSheet();
document.adoptedStyleSheets = [...document.adoptedStyleSheets, style];

let view = null;
let barWidth = 4.2; // of the text size
let systems = [];
let asked = 0;
let shownNow = ""; // the song and the request that are drawn, or asked for
let zoomed = null; // width in px when bars scroll

const pic = () => $("#pic");
const fontSize = () => Math.min(20, Math.max(14, Math.round(pic().clientWidth / 8.6) / 10));
const isNarrow = () => pic().clientWidth < 560;

function usualView() {
  if (isNarrow()) return "phrase";
  const bars = state.song.n_bars || state.song.duration_s / 2;
  if (bars <= WHOLE_BARS && pic().clientWidth / bars >= 2.6 * fontSize()) return "song";
  return bars <= WHOLE_BARS ? "systems" : "bars";
}

export const shownView = () => view ?? usualView();
export const shownPhrase = () => phraseAt(chosenNote()?.start_s ?? state.place);

function request() {
  const font = fontSize();
  const width = Math.floor(pic().clientWidth);
  const shown = shownView();
  const ask = { rules: rulesText(), name: state.name, font, width, split: shown === "systems" };
  ask.others = !$("#others").hidden && $("#with-others").checked;
  if (shown === "bars")
    ask.width = Math.max(width, Math.ceil((state.song.n_bars || 1) * barWidth * font + 6 * font));
  const phrase = shownPhrase();
  if (shown === "phrase" && phrase && state.song.n_bars) {
    ask.bars = barsOf(phrase);
    ask.width = Math.min(width, 56 * font);
  }
  zoomed = shown === "bars" ? ask.width : null;
  return ask;
}

/** First and last bar that a phrase sounds in; a pickup shows the bar before. */
function barsOf(phrase) {
  const edges = state.song.bars.downbeats_s;
  const barAt = (time) => edges.filter((edge) => edge <= time + 0.02).length;
  const first = barAt(phrase.start_s);
  const last = Math.min(Math.max(barAt(phrase.end_s - 0.15), first, 1), edges.length - 1);
  return [Math.min(first, last), last];
}

export async function draw() {
  if (!state.song || state.blind || !pic().clientWidth) return;
  const hasOthers = Object.values(state.song.stems).some(
    (stem) => OTHERS.includes(stem.role) && stem.notes.length,
  );
  $("#others").hidden = !hasOthers || shownView() === "song"; // there is no room for them
  const ask = request();
  const wanted = JSON.stringify([state.song.revision, ask]);
  if (wanted === shownNow) return; // after a change the sound follows the picture, and draws no other
  const number = (asked += 1);
  shownNow = wanted;
  let got;
  try {
    got = await post("picture", ask);
  } catch (error) {
    shownNow = "";
    if (number === asked) tell("refused", error);
    return;
  }
  if (number !== asked) return;
  style.replaceSync(got.css);
  $("#drawing").innerHTML = got.svg;
  systems = $$("#drawing .system").map((group) => ({
    times: group.dataset.times.split(" ").map(Number),
    xs: group.dataset.xs.split(" ").map(Number),
    top: Number(group.dataset.top),
    bottom: Number(group.dataset.bottom),
  }));
  if (zoomed) keepNames();
  markView();
  mark();
  moveReading(state.place, false);
  tell("drawn");
}

/** A copy of the names of the lanes that stays at the left while the bars scroll. */
function keepNames() {
  const svg = $("#drawing svg");
  const [width, height] = [systems[0].xs[0] - 4, systems[0].bottom + 0.5 * fontSize()]; // not over the key
  const names = svg.cloneNode(false);
  for (const [name, value] of Object.entries({
    class: `${svg.getAttribute("class")} gutter`,
    viewBox: `0 0 ${width} ${height}`,
    width,
    height,
    "aria-hidden": "true",
  }))
    names.setAttribute(name, value);
  names.removeAttribute("role");
  names.removeAttribute("aria-labelledby");
  const left = (part) =>
    Number(part.getAttribute("x") ?? part.getAttribute("d")?.match(/-?[\d.]+/)?.[0] ?? Infinity);
  for (const part of $$(".system > text, .system > path, .system > rect", svg)) {
    if (left(part) < width) names.append(part.cloneNode(true));
  }
  $("#drawing").append(names);
}

const drawSoon = settled(draw, 120);

function markView() {
  const shown = shownView();
  $$("input[name=view]").forEach((radio) => {
    radio.checked = radio.value === shown;
  });
  $("#zoom").hidden = shown !== "bars";
  $("#phrase-steps").hidden = shown !== "phrase";
}

/** Four crop marks around the chosen note, and what is known of it in words. */
function mark() {
  $$(".crop", pic()).forEach((old) => old.remove());
  const groups = $$(`#drawing .note[data-note="${state.note}"]`);
  for (const group of groups) {
    const box = $(".hit", group)?.getBBox();
    if (!box) continue;
    const k = 3,
      l = Math.min(9, Math.max(3, box.width / 3));
    const [x0, y0, x1, y1] = [box.x - k, box.y - k, box.x + box.width + k, box.y + box.height + k];
    const path = document.createElementNS("http://www.w3.org/2000/svg", "path");
    path.setAttribute("class", "crop");
    path.setAttribute(
      "d",
      `M${x0} ${y0 + l}V${y0}H${x0 + l}M${x1 - l} ${y0}H${x1}V${y0 + l}` +
        `M${x1} ${y1 - l}V${y1}H${x1 - l}M${x0 + l} ${y1}H${x0}V${y1 - l}`,
    );
    group.append(path);
  }
  if (groups.length) describe(groups[0]);
  else if (!state.note)
    $("#here").textContent = "No note is chosen. Click one, or press comma and full stop.";
}

function describe(group) {
  const note = melodyNotes().find((n) => n.index === Number(group.dataset.note));
  const cents =
    note?.cents == null
      ? ""
      : ` Sung ${Math.abs(Math.round(note.cents))} cents ${note.cents < 0 ? "low" : "high"}.`;
  $("#here").textContent = `Note ${group.dataset.note}: ${group.dataset.info}.${cents}`;
}

// --- from place to time and back ---------------------------------------------------------------

function between(value, from, to) {
  if (!from.length) return 0;
  const last = from.length - 1;
  let k = from.findIndex((edge) => value < edge);
  if (k < 0) k = last;
  k = Math.max(1, Math.min(k, last));
  const share = (value - from[k - 1]) / (from[k] - from[k - 1] || 1);
  return to[k - 1] + share * (to[k] - to[k - 1]);
}

export function timeAt(event) {
  const svg = $("#drawing svg");
  const box = svg.getBoundingClientRect();
  const scale = svg.viewBox.baseVal.width / box.width;
  const x = (event.clientX - box.left) * scale,
    y = (event.clientY - box.top) * scale;
  const system = systems.find((s) => y <= s.bottom) ?? systems[systems.length - 1];
  if (!system) return null;
  const inside = Math.max(system.xs[0], Math.min(x, system.xs[system.xs.length - 1]));
  return between(inside, system.xs, system.times);
}

/** Whether a place lies left of the lanes, where their names stand. */
export function isBesideLanes(event) {
  const svg = $("#drawing svg");
  if (!svg || !systems.length) return false;
  const box = pic().getBoundingClientRect();
  return event.clientX - box.left < systems[0].xs[0] * (zoomed ? 1 : svgScale(svg)) - 2;
}

/** Puts the reading line at a time; scrolls by pages when it leaves the sight while playing. */
export function moveReading(seconds, playing) {
  const line = $("#reading");
  const system = systems.find((s) => seconds < s.times[s.times.length - 1] && seconds >= s.times[0] - 1e-6);
  const svg = $("#drawing svg");
  line.hidden = !system || !svg || state.blind;
  if (line.hidden) return;
  const scale = zoomed ? 1 : svgScale(svg);
  const x = between(seconds, system.times, system.xs) * scale;
  line.style.height = `${(system.bottom - system.top) * scale}px`;
  line.style.transform = `translate(${x}px,${system.top * scale}px)`;
  if (!playing || !zoomed) return;
  const frame = pic();
  if (x < frame.scrollLeft || x > frame.scrollLeft + frame.clientWidth - 40)
    frame.scrollLeft = Math.max(0, x - 80);
}

let measured = [null, 1];
function svgScale(svg) {
  if (measured[0] !== svg) measured = [svg, svg.clientWidth / svg.viewBox.baseVal.width || 1];
  return measured[1];
}

// --- steps -------------------------------------------------------------------------------------

export function stepNote(by) {
  const all = melodyNotes();
  if (!all.length) return;
  const here = all.findIndex((note) => note.index === state.note);
  const next = here < 0 ? nearestTo(state.place) : Math.max(0, Math.min(all.length - 1, here + by));
  chooseNote(all[next].index);
}

function nearestTo(seconds) {
  const found = melodyNotes().findIndex((note) => note.end_s > seconds);
  return Math.max(found, 0);
}

export function stepPhrase(by) {
  const all = phrases();
  const here = shownPhrase();
  if (!here) return;
  const wanted = all[Math.max(0, Math.min(all.length - 1, all.indexOf(here) + by))];
  const first = melodyNotes().find((note) => note.phrase === wanted.index);
  state.place = wanted.start_s;
  chooseNote(first ? first.index : null, { move: false });
  state.place = wanted.start_s;
  tell("place");
  if (shownView() === "phrase") draw();
}

export function stepEnding(by) {
  const endings = phrases()
    .map((phrase) => phrase.ending_note)
    .filter((index) => index != null);
  if (!endings.length) return;
  const here = state.note ?? (by > 0 ? 0 : Infinity);
  const next = by > 0 ? endings.find((index) => index > here) : endings.filter((index) => index < here).pop();
  chooseNote(next ?? endings[by > 0 ? 0 : endings.length - 1]);
}

function reveal() {
  const group = $(`#drawing .note[data-note="${state.note}"]`);
  if (!group && shownView() === "phrase") return draw();
  if (group && zoomed) {
    const box = $(".hit", group).getBBox(),
      frame = pic();
    if (box.x < frame.scrollLeft + 60 || box.x + box.width > frame.scrollLeft + frame.clientWidth) {
      frame.scrollLeft = Math.max(0, box.x - frame.clientWidth / 3);
    }
  }
  return undefined;
}

export function setUpPicture() {
  on("song", draw);
  on("followed", draw);
  on("note", () => {
    mark();
    reveal();
  });
  on("place", () => moveReading(state.place, false));
  let width = 0;
  new ResizeObserver(() => {
    measured = [null, 1];
    if (pic().clientWidth !== width) {
      width = pic().clientWidth;
      drawSoon();
    }
  }).observe(pic());
  pic().addEventListener("click", (event) => {
    const group = event.target.closest(".note");
    const time = timeAt(event);
    if (group) chooseNote(Number(group.dataset.note));
    if (time === null) return;
    if (!group) state.place = Math.max(0, time);
    tell("place");
    tell("moved-to", time);
  });
  pic().addEventListener("pointerover", (event) => {
    const group = event.target.closest?.(".note");
    if (group) describe(group);
  });
  pic().addEventListener("pointerleave", mark);
  $("#with-others").addEventListener("change", draw);
  $$("input[name=view]").forEach((radio) =>
    radio.addEventListener("change", () => {
      view = radio.value;
      draw();
    }),
  );
  const zoom = (by) => {
    barWidth = Math.max(1.6, Math.min(24, barWidth * by));
    draw();
  };
  $("#wider").addEventListener("click", () => zoom(1.4));
  $("#narrower").addEventListener("click", () => zoom(1 / 1.4));
  pic().addEventListener(
    "wheel",
    (event) => {
      if (!event.ctrlKey || shownView() !== "bars") return;
      event.preventDefault();
      zoom(event.deltaY < 0 ? 1.15 : 1 / 1.15);
    },
    { passive: false },
  );
  $("#note-before").addEventListener("click", () => stepNote(-1));
  $("#note-after").addEventListener("click", () => stepNote(1));
  $("#phrase-before").addEventListener("click", () => stepPhrase(-1));
  $("#phrase-after").addEventListener("click", () => stepPhrase(1));
}
