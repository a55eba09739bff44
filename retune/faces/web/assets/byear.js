// Key and bars put right by ear: rivals as one press each, a click to check them, beats tapped.

import { beatsOf, factsOf, factsOfTaps, rivalsOf, tapped } from "./beats.js";
import { Clicker } from "./clicks.js";
import { $, el, say } from "./dom.js";
import { player } from "./listen.js";
import { change, on, state } from "./store.js";

const clicker = new Clicker(() => player);
let clicked = ""; // name of the reading that is clicked, "" for the bars as they are
let taps = [];

const tempo = (row) => `${row.meter}, ${Number(row.tempo_bpm.toFixed(1))} a minute`;
const sure = (confidence) => (confidence === null ? "" : ` (${tenths(confidence)} of 10)`);
const tenths = (confidence) => (confidence < 0.05 ? "under 1" : Math.min(9, Math.round(10 * confidence)));
const set = (facts, done) => change("music", { set: facts }, `${done}. Undo takes it back.`);
const press = (words, title, act, look) =>
  el("button", { type: "button", class: look, title, onclick: act }, words);

/** The bars as they are, as one reading among its rivals. */
function asHeard() {
  const { meter, meters, tempo_bpm, downbeats_s, beats_s, confidence } = state.song.bars;
  return { name: "", meter, meters, tempo_bpm, downbeats_s, beats_s, confidence };
}

const isBarred = () => state.song.bars.downbeats_s.length > 1;
const readings = () => (isBarred() ? [asHeard(), ...rivalsOf(state.song.bars)] : []);

// --- one press each ----------------------------------------------------------------------------

function keyRow() {
  const { key, key_name, key_rivals, told, is_song_file } = state.song;
  if (!told.key || !is_song_file) return null;
  const is = `${key.tonic} ${key.mode}`;
  const give = (value, shown) => () => set([{ name: "key", value }], `The key is ${shown}`);
  return el(
    "div",
    { class: "set", id: "key-by-ear" },
    el("span", {}, el("i", {}, "key "), `${key_name}, ${told.key}:`),
    press("it is right", `Writes key = ${is} into the song file`, give(is, key_name)),
    el("span", { class: "quiet" }, "or"),
    ...key_rivals.map((row) =>
      press(
        row.name ? `${row.shown}, the ${row.name}` : row.shown,
        `Writes key = ${row.key} into the song file`,
        give(row.key, row.shown),
      ),
    ),
  );
}

function barsRow() {
  const { bars, told, is_song_file } = state.song;
  if (!told.bars || !is_song_file) return null;
  const give = (row, words) => () => set(factsOf(row), words);
  return el(
    "div",
    { class: "set", id: "bars-by-ear" },
    el("span", {}, el("i", {}, "bars "), `${tempo(asHeard())}, ${told.bars}:`),
    press(
      "they are right",
      "Writes meter and bars into the song file",
      give(asHeard(), "The bars are kept as heard"),
    ),
    el("span", { class: "quiet" }, "or"),
    ...rivalsOf(bars).map((row) =>
      press(
        `${row.name}${sure(row.confidence)}`,
        `${tempo(row)}: writes meter and bars into the song file`,
        give(row, `The bars: ${row.name}`),
        row.confidence === null ? "plain" : null,
      ),
    ),
  );
}

// --- a click -----------------------------------------------------------------------------------

function clickRow() {
  if (!isBarred()) return null;
  const rows = readings();
  if (!rows.some((row) => row.name === clicked)) clicked = "";
  const box = el("input", { type: "checkbox", id: "click", checked: clicker.isOn, onchange: sound });
  const which = el(
    "select",
    { id: "click-on", "aria-label": "beats that click", onchange: sound },
    ...rows.map((row) => el("option", { value: row.name }, row.name || "as shown")),
  );
  which.value = clicked;
  return el(
    "div",
    { class: "set" },
    el("label", { class: "row" }, box, el("span", {}, "hear a click on the beats")),
    which,
    el("span", { class: "small quiet" }, "The higher click is the downbeat. It sounds while the song plays."),
  );
}

/** The click, turned on or off from elsewhere. */
function clickToo() {
  const box = $("#click");
  if (box) box.checked = $("#click-too").checked;
  sound();
}

function sound() {
  $("#click-too").checked = Boolean($("#click")?.checked);
  clicked = $("#click-on")?.value ?? "";
  const row = readings().find(({ name }) => name === clicked);
  if ($("#click")?.checked && row) clicker.start(beatsOf(row));
  else clicker.stop();
}

// --- taps --------------------------------------------------------------------------------------

function tapRow() {
  return el(
    "div",
    { class: "set", id: "taps" },
    press("Tap the beat", "Or the space bar, while this is open and the song plays", tap),
    el(
      "span",
      { class: "small quiet" },
      "or the space bar, while the song plays: begin on a downbeat, tap every beat, four times at least.",
    ),
    el("span", { id: "tapped", class: "set", role: "status" }),
  );
}

/** A tap at what sounds now. */
export function tap() {
  if (!player?.playing) return say("Play first (P), then tap along: begin on a downbeat");
  const at = player.now();
  if (taps.length && at < taps[taps.length - 1]) taps = []; // a loop or a jump begins again
  taps.push(at);
  showTaps();
  return undefined;
}

/** Whether the space bar is for tapping now: while it plays, this is open, and nothing else there
 *  takes it. */
export const tapsNow = (target) =>
  Boolean(player?.playing) &&
  $("#by-ear").open &&
  !target.matches("input, textarea, select, summary, a") &&
  (!target.matches("button") || target.id === "play" || Boolean(target.closest("#taps")));

function forget() {
  taps = [];
  showTaps();
}

function showTaps() {
  const place = $("#tapped");
  if (!place) return;
  const found = tapped(taps, {
    meter: state.song.bars.meter,
    readings: readings(),
    end_s: state.song.duration_s,
  });
  if (!found) {
    place.replaceChildren(taps.length ? `${taps.length} of 4` : "");
    return;
  }
  const follows = found.follows ? ", following the recording" : "";
  const words = `${tempo(found)}, bar 1 at ${found.downbeats_s[0].toFixed(2)} s${follows}`;
  place.replaceChildren(
    words,
    state.song.is_song_file
      ? press("Use this", "Writes meter, tempo and bars into the song file", () => {
          taps = [];
          return set(factsOfTaps(found), `Bars as tapped: ${words}`);
        })
      : "",
    el("button", { type: "button", class: "plain", onclick: forget }, "forget the taps"),
  );
}

// --- all of it ---------------------------------------------------------------------------------

function heading() {
  const { told } = state.song;
  const heard = [told.key && "key", told.bars && "bars"].filter(Boolean).join(" and ");
  return heard ? `${heard[0].toUpperCase()}${heard.slice(1)} by ear: right?` : "Check the bars by ear";
}

function show() {
  const box = $("#by-ear");
  const isNew = box.dataset.title !== state.song.title;
  box.dataset.title = state.song.title;
  if (isNew) box.open = Boolean(state.song.told.bars || state.song.told.key);
  $("summary", box).textContent = heading();
  $("#by-ear-rows").replaceChildren(...[keyRow(), barsRow(), clickRow(), tapRow()].filter(Boolean));
  if (clicker.isOn) sound();
  showTaps();
  window.workbench.clicker = clicker; // for the console of the browser, and the tests
}

export function setUpByEar() {
  $("#click-too").addEventListener("change", clickToo);
  on("song", show);
  window.addEventListener("pagehide", () => clicker.stop());
}
