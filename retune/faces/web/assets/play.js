// Playing a note of a variant: dragged up or down, sent by keys, heard; said as a rule. What was
// sung is corrected elsewhere (correct.js), in another look.

import { post } from "./api.js";
import { $, el, say } from "./dom.js";
import { midiAt, perSemitone } from "./lanes.js";
import { pick, player } from "./listen.js";
import { isBesideLanes } from "./picture.js";
import { grip } from "./retime.js";
import { replaceLine, replaceRule } from "./rules.js";
import { chooseNote, chosenNote, melodyNotes, on, rules, state } from "./store.js";
import { hush, setUpTones, tone } from "./tones.js";

const FAR_PX = 4; // a press that moves less is a click
const AROUND_S = 0.35; // heard before and after a note that was moved

// --- where a note may go, and where it stands ----------------------------------------------------

const known = new Map();

/** The pitches a note may take, its name in rules: asked once for each state of the song. */
function choicesFor(note) {
  const key = `${state.song.revision} ${note.index}`;
  if (!known.has(key)) {
    const asked = post("choices", { note: note.index });
    asked.catch(() => known.delete(key));
    known.set(key, asked);
  }
  return known.get(key);
}

const clockOf = (note) => `${((note.start_s + Math.min(note.end_s, note.start_s + 0.2)) / 2).toFixed(2)}s`;
const literal = (text) => text.replace(/[.*+?^${}()|[\]\\]/g, "\\$&");

/** Whether a line is a rule for this note alone. */
const wrote = (note, place) => (line) =>
  new RegExp(`^(move|shift|keep) note at (${literal(place)}|${literal(clockOf(note))})( |$)`).test(
    line.trim(),
  );

const editOf = (note, plan = state.plan) =>
  plan?.edits.find((edit) => edit.stem === state.song.melody && edit.note === note.index) ?? null;

const NAMED =
  /^move note at \S+ to ([A-G](?:b{1,2}|#{1,2})?-?\d+)(?: ([\d.]+) cents? (flat|sharp))?((?: with.*)?)$/;
const NUDGED = /^shift note at \S+ (up|down) ([\d.]+) cents?$/;

/** Pitch, cents and manner of a note in the variant. */
function standing(note, choices) {
  const line = rules().find(wrote(note, choices.place))?.trim() ?? "";
  const named = line.match(NAMED);
  const there = named && choices.pitches.find((pitch) => pitch.name === named[1]);
  if (there) {
    const cents = Number(named[2] ?? 0) * (named[3] === "flat" ? -1 : 1);
    return { midi: there.midi, cents, manner: named[4] };
  }
  const nudged = line.match(NUDGED);
  if (nudged)
    return { midi: choices.midi, cents: Number(nudged[2]) * (nudged[1] === "up" ? 1 : -1), manner: "" };
  const shift = line.startsWith("keep") ? 0 : (editOf(note)?.shift_cents ?? 0);
  const semitones = Math.round(shift / 100);
  return { midi: choices.midi + semitones, cents: shift - 100 * semitones, manner: "" };
}

const many = (count, word) => `${count} ${word}${count === 1 ? "" : "s"}`;

function ruleFor(choices, midi, cents, manner) {
  const what = `note at ${choices.place}`;
  const size = Math.abs(cents);
  if (midi === choices.midi) {
    return cents ? `shift ${what} ${cents > 0 ? "up" : "down"} ${many(size, "cent")}` : null;
  }
  const name = choices.pitches.find((pitch) => pitch.midi === midi).name;
  const off = cents ? ` ${many(size, "cent")} ${cents > 0 ? "sharp" : "flat"}` : "";
  return `move ${what} to ${name}${off}${manner}`;
}

/** Whether a rule that is not this note's own moves it. */
const isMovedByOthers = (note, place) => {
  const edit = editOf(note);
  return Boolean(edit) && !wrote(note, place)(edit.rule);
};

let heardNext = null; // a note to be heard once its sound has come

function send(note, choices, midi, cents = 0, manner = "") {
  const own = wrote(note, choices.place);
  let rule = ruleFor(choices, midi, cents, manner);
  if (
    !rule &&
    (isMovedByOthers(note, choices.place) || rules().some((line) => /^keep/.test(line) && own(line)))
  )
    rule = `keep note at ${choices.place}`;
  if (rule === null && !rules().some(own)) return;
  heardNext = note.index;
  replaceRule(own, rule);
}

/** Plays the note as it is now, with a little around it; while the song plays it goes on. */
function hear() {
  const note = melodyNotes().find(({ index }) => index === heardNext);
  heardNext = null;
  if (!note || state.blind) return;
  pick("variant");
  if (!player.playing) player.playSpan([Math.max(0, note.start_s - AROUND_S), note.end_s + AROUND_S]);
}

// --- by keys -------------------------------------------------------------------------------------

let turn = Promise.resolve();

/** Does something with the chosen note once its choices are known; presses keep their order. */
function withChosen(act) {
  const note = chosenNote();
  if (!note) return say("Choose a note first");
  turn = turn.then(async () => act(note, await choicesFor(note))).catch((error) => say(error.message));
  return turn;
}

export const sendToDegree = (degree) =>
  withChosen((note, choices) => {
    heardNext = note.index;
    replaceRule(wrote(note, choices.place), `move note at ${choices.place} to degree ${degree}`);
  });

/** As it was sung, whatever the other rules say of it. */
export const putBack = () =>
  withChosen(async (note, choices) => {
    const own = wrote(note, choices.place);
    const others = rules().filter((line) => line.trim() && !own(line));
    const plan = await post("plan", { rules: others });
    heardNext = note.index;
    replaceRule(own, editOf(note, plan) ? `keep note at ${choices.place}` : null);
  });

/** One step up or down: "cents" (ten of them), "semitone" or "scale step". */
export const nudge = (up, unit) =>
  withChosen((note, choices) => {
    const now = standing(note, choices);
    const way = up ? 1 : -1;
    if (unit === "cents") return send(note, choices, now.midi, wrapped(now.cents + 10 * way), now.manner);
    const there = choices.pitches.filter(
      ({ midi, in_scale: inScale }) => (midi - now.midi) * way > 0 && (unit === "semitone" || inScale),
    );
    const next = way > 0 ? there[0] : there[there.length - 1];
    if (!next) return say("No note is moved further than an octave");
    tone(next.midi + now.cents / 100);
    return send(note, choices, next.midi, now.cents, now.manner);
  });

const wrapped = (cents) => Math.max(-90, Math.min(90, Math.round(cents)));

/** A plain tone of the chosen note as it stands in the variant. */
export const sound = () =>
  withChosen((note, choices) => {
    const { midi, cents } = standing(note, choices);
    tone(midi + cents / 100);
  });

function playedKey(midi, moves) {
  const note = chosenNote();
  if (!moves || !note) return;
  withChosen((chosen, choices) => {
    let goal = midi;
    while (goal - choices.midi > 12) goal -= 12;
    while (choices.midi - goal > 12) goal += 12;
    send(chosen, choices, goal, 0, standing(chosen, choices).manner);
  });
}

// --- by dragging ---------------------------------------------------------------------------------

const wordsOf = (choices, pitch) => {
  const member = pitch.member && choices.chord ? `${pitch.member} of ${choices.chord}` : "";
  const outside = pitch.member === "" ? `not in ${choices.chord}` : "";
  return [pitch.shown, pitch.degree && `degree ${pitch.degree_shown}`, member || outside]
    .filter(Boolean)
    .join(", ");
};

function taken(event) {
  const group = event.target.closest?.(".note");
  if (!group || event.button !== 0 || !$("#correct").hidden || state.blind || grip(event)) return null;
  const note = melodyNotes().find(({ index }) => index === Number(group.dataset.note));
  if (!note) return null;
  const box = $(".hit", group).getBoundingClientRect();
  const from = {
    note,
    box,
    y: event.clientY,
    reach: perSemitone(),
    choices: null,
    pitch: null,
    moves: false,
  };
  choicesFor(note).then(
    (choices) => {
      from.choices = choices;
      from.now = standing(note, choices);
      if (from.last) sweep(from, from.last);
    },
    () => {},
  );
  return from;
}

function show(from, event) {
  const frame = $("#pic").parentElement.getBoundingClientRect();
  const steps = from.pitch.midi - from.choices.midi;
  const ghost = $("#ghost-note");
  ghost.hidden = $("#finger").hidden = false;
  Object.assign(ghost.style, {
    left: `${from.box.left - frame.left}px`,
    top: `${from.box.top - frame.top - steps * from.reach}px`,
    width: `${from.box.width}px`,
    height: `${from.box.height}px`,
  });
  const finger = $("#finger");
  finger.textContent = wordsOf(from.choices, from.pitch);
  const left = Math.max(0, Math.min(event.clientX - frame.left + 14, frame.width - finger.offsetWidth - 4));
  Object.assign(finger.style, { left: `${left}px`, top: `${Math.max(0, event.clientY - frame.top - 44)}px` });
  $("#here").textContent = `Let go: ${ruleFor(from.choices, from.pitch.midi, 0, "") ?? "as it was sung"}.`;
}

/** The pitch under the pointer is shown and sounds. */
function sweep(from, event) {
  const wanted = from.now.midi + Math.round((from.y - event.clientY) / from.reach);
  const { pitches } = from.choices;
  const pitch =
    pitches.find(({ midi }) => midi === wanted) ??
    (wanted < pitches[0].midi ? pitches[0] : pitches[pitches.length - 1]);
  if (pitch !== from.pitch) tone(pitch.midi, 1.5);
  from.pitch = pitch;
  show(from, event);
}

function hide() {
  $("#ghost-note").hidden = $("#finger").hidden = true;
  hush();
}

function drag() {
  const pic = $("#pic");
  let from = null;
  pic.addEventListener("pointerdown", (event) => {
    from = taken(event);
  });
  pic.addEventListener("pointermove", (event) => {
    if (!from || (!from.moves && Math.abs(event.clientY - from.y) < FAR_PX)) return;
    if (!from.moves) {
      from.moves = true;
      pic.setPointerCapture(event.pointerId);
      chooseNote(from.note.index, { move: false });
    }
    from.last = event;
    if (from.choices) sweep(from, event);
  });
  const done = (event) => {
    const was = from;
    from = null;
    if (!was?.moves) return;
    hide();
    if (event.type !== "pointerup" || !was.pitch || was.pitch.midi === was.now.midi) return;
    send(was.note, was.choices, was.pitch.midi, was.now.cents, was.now.manner);
  };
  pic.addEventListener("pointerup", done);
  pic.addEventListener("pointercancel", done);
  // The click that ends a drag would move the place that sounds.
  pic.addEventListener(
    "click",
    (event) => {
      if (isBesideLanes(event)) {
        event.stopImmediatePropagation();
        const midi = midiAt(event.clientY);
        if (midi !== null) tone(midi);
      }
    },
    true,
  );
}

// --- how it is sung ------------------------------------------------------------------------------

const GLIDES = [
  ["", "as sung"],
  ["slow", "slow"],
  ["fast", "fast"],
];
const VIBRATOS = [
  ["1", "as sung"],
  ["0.5", "half"],
  ["0", "none"],
];
const FORMANTS = [
  ["", "kept"],
  ["moved", "moved with the pitch"],
];
const TAILS = [
  ["", "stays"],
  ["moved", "goes with it"],
];

function choice(id, words, options, value, done) {
  const isUsual = options.some(([given]) => given === value);
  const all = isUsual ? options : [...options, [value, `${Math.round(100 * Number(value))} %`]];
  const select = el(
    "select",
    { id, onchange: done },
    ...all.map(([given, shown]) => el("option", { value: given }, shown)),
  );
  select.value = value;
  return [el("label", { for: id, class: "small" }, el("i", {}, words)), select];
}

/** How the chosen note is sung in the variant, where a rule moves it. */
function showManner() {
  const note = chosenNote();
  const edit = note && editOf(note);
  const box = $("#manner");
  box.hidden = !edit || !/^(move|shift) /.test(edit.rule);
  if (box.hidden || box.contains(document.activeElement)) return;
  const off = edit.rule.match(/ ([\d.]+) cents? (flat|sharp)/);
  // As the rule says it: where no note runs into this one, its edit has no glide.
  const glide = edit.rule.match(/ with a (slow|fast) glide/)?.[1] ?? "";
  const cents = off ? Number(off[1]) * (off[2] === "flat" ? -1 : 1) : 0;
  // The box stays while one is in it: the rule is that of then, not of now.
  const change = () => setManner(editOf(chosenNote())?.rule ?? edit.rule);
  box.replaceChildren(
    el("label", { for: "manner-cents", class: "small" }, el("i", {}, "cents off")),
    el("input", {
      type: "number",
      id: "manner-cents",
      value: cents,
      min: -90,
      max: 90,
      step: 5,
      onchange: change,
    }),
    ...choice("manner-glide", "glide into it", GLIDES, glide, change),
    ...choice("manner-vibrato", "vibrato", VIBRATOS, String(edit.vibrato ?? 1), change),
    ...choice("manner-formants", "formants", FORMANTS, edit.formants ?? "", change),
    ...choice("manner-tail", "what sounds on", TAILS, edit.tail ?? "", change),
  );
}

async function setManner(rule) {
  const asked = {
    rule,
    cents: Number($("#manner-cents").value) || 0,
    glide: $("#manner-glide").value,
    vibrato: Number($("#manner-vibrato").value),
    formants: $("#manner-formants").value,
    tail: $("#manner-tail").value,
  };
  try {
    const told = await post("manner", asked);
    const line = state.plan.lines.findIndex(({ canonical }) => canonical === rule);
    if (line < 0) return say("This rule is one of several in its line: write it alone first");
    heardNext = state.note;
    return replaceLine(state.plan.asked[line], told.rule);
  } catch (error) {
    return say(error.message);
  }
}

export function setUpPlay() {
  setUpTones(playedKey);
  drag();
  on("followed", hear);
  for (const name of ["note", "planned", "variant"]) on(name, showManner);
  on("song", () => known.clear());
}
