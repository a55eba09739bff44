// Listening: which version sounds, from where, how loud; plans followed as they are typed.

import { post } from "./api.js";
import { beatsIn } from "./beats.js";
import { $, $$, clock, el, minus, say, settled } from "./dom.js";
import { strike } from "./clicks.js";
import { draw, moveReading, shownView } from "./picture.js";
import { VERSIONS, FollowingPlayer } from "./following.js";
import { on, phraseAt, rules, rulesText, state, tell } from "./store.js";

const QUIET_DB = -60;
export let player = null;
let running = null; // what is being asked for the newest rules
let held = QUIET_DB;

const LINES = { original: "line", variant: "line dash", "matched-control": "line dots", other: "line dash" };
const NAMES = {
  original: ["O", "riginal"],
  variant: ["V", "ariant"],
  "matched-control": ["M", "atched control"],
  other: ["", "Another variant"],
};

function versionRow(kind) {
  const [letter, rest] = NAMES[kind];
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("viewBox", "0 0 48 10");
  svg.setAttribute("aria-hidden", "true");
  svg.innerHTML = `<path class="${LINES[kind]}" d="M0 5H48"/>`;
  const name = el(
    "span",
    { class: "name" },
    letter ? el("kbd", {}, letter) : "",
    rest,
    el("span", { class: "whose" }),
  );
  const radio = el("input", { type: "radio", name: "sounds", value: kind, onchange: () => pick(kind) });
  return el(
    "label",
    { class: kind === "variant" ? "v" : kind === "original" ? null : "quiet" },
    radio,
    svg,
    name,
    el("span", { class: "num small db" }),
  );
}

export function pick(kind) {
  if (!player) return;
  player.choose(kind);
  if (kind === "matched-control" && !state.blind) followBeside("matched-control", rulesText());
  if (kind === "other") followOther();
}

const others = () => [...state.drafts.keys()].filter((name) => name !== state.name);

/** The variant that is heard beside the one being written. */
function followOther() {
  const draft = state.drafts.get($("#other").value);
  if (draft)
    followBeside(
      "other",
      draft.rules.filter((line) => line.trim()),
    );
}

function showOthers() {
  const before = $("#other").value;
  $("#other").replaceChildren(...others().map((name) => el("option", { value: name }, name)));
  if (others().includes(before)) $("#other").value = before;
  $("#beside").hidden = !others().length;
  $("input[name=sounds][value=other]").closest("label").hidden = !others().length;
  if (player?.chosen === "other" && !state.blind) {
    if (others().length) followOther();
    else pick("original");
  }
}

export const exchange = () => player && pick(player.before);

// --- following the rules -----------------------------------------------------------------------

/** Plan, sound and (later) levels of the rules as they stand; the newest call wins. */
export async function follow() {
  running?.abort();
  const here = (running = new AbortController());
  const asked = [...rules()];
  const lines = rulesText();
  const name = state.name;
  try {
    const sound = player.follow("variant", lines, here.signal);
    const plan = post("plan", { rules: asked, name }, here.signal);
    sound.catch(() => {});
    state.plan = { ...(await plan), asked };
    tell("planned");
    if (shownView() === "phrase") {
      toFirstChange();
      draw();
    }
    const got = await sound;
    state.verdicts = got.verdicts;
    soundState(got.warnings);
    tell("followed");
    if (player.chosen === "matched-control") await player.follow("matched-control", lines, here.signal);
    else player.keys["matched-control"] = [];
    await levels(lines, here.signal);
  } catch (error) {
    if (error.name === "AbortError" || here.signal.aborted) return;
    soundState([error.message]);
    tell("followed");
    tell("refused", error);
  }
}

/** Goes to the first phrase in which something changes, where nothing was chosen or heard yet. */
export function toFirstChange() {
  const first = state.plan?.rows.find((row) => row.before || row.note);
  if (player.playing || state.place > 0 || !first) return;
  state.place = phraseAt(first.at_s)?.start_s ?? 0;
  tell("place");
}

async function levels(lines, signal) {
  const got = await player.level("variant", lines, signal);
  showLevels();
  if (got.short_by_db > 0.05)
    soundState([
      `All are played ${player.lowerDb().toFixed(1)} dB lower, so that the peaks of each fit at one loudness.`,
    ]);
}

async function followBeside(kind, lines) {
  try {
    await player.follow(kind, lines);
    await player.level(kind, lines);
    showLevels();
  } catch (error) {
    soundState([error.message]);
  }
}

const followSoon = settled(follow, 60);

function soundState(warnings) {
  const faults = (state.plan?.lines ?? []).map((line, k) => (line.fault ? k + 1 : 0)).filter(Boolean);
  const good = (state.plan?.lines ?? []).map((line, k) => (line.canonical ? k + 1 : 0)).filter(Boolean);
  const words = [];
  if (faults.length) {
    const [are, they] = faults.length > 1 ? ["are", "they"] : ["is", "it"];
    const left = `${list("Rule", faults)} ${are} left out until ${they} can be read.`;
    words.push(`${left} You hear ${good.length ? list("rule", good) : "the original"}.`);
  }
  words.push(...warnings);
  const box = $("#sound-state");
  box.hidden = !words.length;
  box.classList.toggle("warn", words.length > 0);
  box.replaceChildren(...words.map((text) => el("p", {}, text)));
}

const list = (word, numbers) =>
  `${word}${numbers.length > 1 ? "s" : ""} ${numbers.join(", ").replace(/, (\d+)$/, " and $1")}`;

// --- showing -----------------------------------------------------------------------------------

export function showLevels() {
  for (const radio of $$("input[name=sounds]")) {
    const db = player.gainDb(radio.value);
    $(".db", radio.parentElement).textContent = Math.abs(db) < 0.05 ? "" : `${minus(db)} dB`;
  }
}

function showVersions() {
  $$("input[name=sounds]").forEach((radio) => {
    radio.checked = radio.value === player.chosen;
  });
  $$("#versions .whose").forEach((span, k) => {
    span.textContent = { variant: ` ${state.name}`, other: ` ${$("#other").value}` }[VERSIONS[k]] ?? "";
  });
  showLevels();
}

function places() {
  const bar = state.song.bars.downbeats_s.filter((edge) => edge <= state.place + 0.05).length;
  if (!state.song.n_bars) return clock(state.place);
  return bar ? `bar ${bar}` : "the start";
}

export function showPlay() {
  const button = $("#play");
  const on = player?.playing ?? false;
  button.setAttribute("aria-pressed", String(on));
  button.replaceChildren(el("kbd", {}, "P"), on ? "ause" : `lay from ${places()}`);
  const phrase = phraseAt(state.place);
  const words = barSpan()
    ? `oop bars ${$("#loop-bars").value.trim()}`
    : phrase
      ? `oop phrase ${phrase.index}`
      : "oop the song";
  $("#loop-label").replaceChildren(el("kbd", {}, "L"), words);
}

/** Seconds of the bars in the field ("5" or "5-8"), or null. */
function barSpan() {
  const found = $("#loop-bars")
    .value.trim()
    .match(/^(\d+)(?:\s*[-\u2013]\s*(\d+))?$/);
  const edges = state.song.bars.downbeats_s;
  if (!found || edges.length < 2) return null;
  const first = Number(found[1]),
    last = Number(found[2] ?? found[1]);
  if (first < 1 || last < first || last >= edges.length) return null;
  return [edges[first - 1], edges[last]];
}

function applyLoop() {
  const phrase = phraseAt(state.place);
  const wants = $("#loop").checked;
  player.setLoop(
    !wants
      ? null
      : (barSpan() ??
          (phrase
            ? [Math.max(0, phrase.start_s - 0.15), Math.min(phrase.end_s + 0.6, state.song.duration_s)]
            : [0, state.song.duration_s])),
  );
}

export function toggleLoop() {
  $("#loop").checked = !$("#loop").checked;
  loopChanged();
}

function loopChanged() {
  applyLoop();
  if ($("#loop").checked && player.playing) {
    const [a, b] = player.loop;
    const now = player.now();
    if (now < a || now >= b) player.seek(a);
  }
  showPlay();
}

/** Plays from the chosen place, from the start of the loop when that is on. */
export async function togglePlay() {
  if (player.playing) {
    player.pause();
    state.place = player.position;
    tell("place");
    return;
  }
  applyLoop();
  let at = state.place;
  if (player.loop) {
    const [a, b] = player.loop;
    if (at < a || at > b - 0.3) at = a;
  }
  if ($("#count-in").checked && !(await countedIn(at))) return;
  await player.play(Math.min(at, Math.max(state.song.duration_s - 0.1, 0)));
}

let counting = null; // stops the count that runs

/** Counts a bar in the tempo at a place; false when it was stopped, or there is nothing to count. */
async function countedIn(at) {
  const edges = state.song.bars.downbeats_s;
  if (counting) {
    counting();
    return false;
  }
  if (edges.length < 2) return true;
  // Past the last downbeat the last bar counts, before the first one the first.
  const after = edges.findIndex((edge) => edge > at + 0.02);
  const next = after < 0 ? edges.length - 1 : Math.max(1, after);
  const beats = beatsIn(state.song.bars, next);
  const beat = (edges[next] - edges[next - 1]) / beats;
  try {
    await player.prepare(at);
  } catch {
    return true; // the player tells why nothing sounds
  }
  const from = player.ctx.currentTime + 0.1;
  const tones = Array.from({ length: beats }, (_, k) =>
    strike(player.ctx, player.volume, from + k * beat, k === 0),
  );
  say(`Counting in: ${beats}`);
  return new Promise((resolve) => {
    const done = (value) => {
      counting = null;
      tell("status");
      resolve(value);
    };
    const wait = setTimeout(() => done(true), 1000 * (from + beats * beat - player.ctx.currentTime));
    counting = () => {
      clearTimeout(wait);
      tones.forEach((tone) => tone.stop());
      done(false);
    };
  });
}

// --- meter -------------------------------------------------------------------------------------

const meterPlace = (db) => 10 + (270 * (Math.max(-50, Math.min(db, 0)) + 50)) / 50;

function drawMeter() {
  const x = meterPlace;
  const ticks = [-50, -40, -30, -20, -10, 0];
  const words = [-50, -30, -10, 0];
  $("#meter svg").innerHTML =
    `<path class="tick" d="M10 16H280${ticks.map((db) => `M${x(db)} 11V21`).join("")}"/>` +
    words
      .map((db) => `<text x="${x(db)}" y="33" text-anchor="middle">${minus(db, 0)}${db ? "" : " dB"}</text>`)
      .join("") +
    '<path class="now" d="M0 9V23"/><path class="held" d="M-5 1H5L0 8Z"/>';
}

function meter() {
  const level = Math.max(player.takeLevel(), QUIET_DB);
  held = Math.max(level, held - 0.4, QUIET_DB);
  $("#meter .now").setAttribute("transform", `translate(${meterPlace(level)} 0)`);
  $("#meter .held").setAttribute("transform", `translate(${meterPlace(held)} 0)`);
}

export const frames = { longest: 0, count: 0 };
const calm = matchMedia("(prefers-reduced-motion: reduce)");
const CALM_MS = 400; // between two places of the reading line for those who want little motion
let drawnAt = -Infinity;
function frame() {
  const began = performance.now();
  const isDue = !calm.matches || began - drawnAt > CALM_MS;
  if (player?.playing && isDue) {
    drawnAt = began;
    moveReading(player.now(), true);
    tell("sounding");
    if (calm.matches || frames.count % 3 === 0) meter();
    frames.longest = Math.max(frames.longest, performance.now() - began);
  } else if (player && !player.playing && frames.count % 30 === 0) meter();
  frames.count += 1;
  requestAnimationFrame(frame);
}

function showSolo() {
  const boxes = state.song.sound.map((stem) =>
    el(
      "label",
      { class: "row" },
      el("input", { type: "checkbox", checked: true, onchange: heard }),
      el("span", {}, `${stem.name} `, el("span", { class: "quiet small" }, stem.role)),
      el("button", { class: "plain", type: "button", onclick: (event) => alone(event, stem.name) }, "alone"),
    ),
  );
  $("#solo").replaceChildren(
    ...boxes,
    el("button", { class: "plain", type: "button", onclick: all }, "hear all"),
  );
}
const boxes = () => $$("#solo input");
const heard = () => player.setHeard(boxes().map((box) => box.checked));
const all = () => {
  boxes().forEach((box) => {
    box.checked = true;
  });
  heard();
};
function alone(event, name) {
  event.preventDefault();
  boxes().forEach((box, k) => {
    box.checked = state.song.sound[k].name === name;
  });
  heard();
}

/** A new song, or the same with other stems: a new player; else the old one goes on. */
function takePlayer() {
  const marks = (song) => JSON.stringify([song.rate_hz, song.sound, song.title]);
  if (player && marks(player.song) === marks(state.song)) {
    player.song = state.song;
    player.pieces.clear();
  } else {
    player?.close();
    player = new FollowingPlayer(state.song);
    player.onstate = () => {
      showVersions();
      showPlay();
      tell("sounding");
    };
    player.onfault = (words) => (state.blind ? tell("unheard", words) : soundState([words]));
    player.onload = (done, of) =>
      done < of ? say(`Loading the next seconds of sound: ${done} of ${of} stems`) : tell("status");
    player.preload();
  }
  window.workbench = { player, state, frames }; // for the console of the browser, and the tests
  showSolo();
  showVersions();
  showPlay();
}

export function setUpListen() {
  $("#versions").append(...VERSIONS.map(versionRow));
  drawMeter();
  on("song", takePlayer);
  on("variant", () => {
    showOthers();
    showVersions();
    follow();
  });
  on("rules", followSoon);
  on("note", () => {
    showPlay();
    applyIfLooping();
  });
  on("place", () => {
    showPlay();
    applyIfLooping();
  });
  on("moved-to", (at) => {
    if (player.playing) player.seek(at);
  });
  $("#play").addEventListener("click", togglePlay);
  $("#exchange").addEventListener("click", exchange);
  $("#loop").addEventListener("change", loopChanged);
  $("#loop-bars").addEventListener("change", loopChanged);
  $("#other").addEventListener("change", () => {
    showVersions();
    followOther();
  });
  $("#match").addEventListener("change", () => {
    player.setMatched($("#match").checked);
    showLevels();
  });
  const volume = $("#volume");
  const turn = () => {
    player?.setVolume(Number(volume.value));
    volume.setAttribute("aria-valuetext", `${-volume.value} decibels below full`);
  };
  volume.addEventListener("input", turn);
  turn();
  requestAnimationFrame(frame);
}

function applyIfLooping() {
  if ($("#loop").checked && !player.playing) applyLoop();
}
