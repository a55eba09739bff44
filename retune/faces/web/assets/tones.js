// Plain tones to compare a note with: of a lane, of a note, of the computer's keys or of MIDI keys.

import { $, el, say } from "./dom.js";
import { state } from "./store.js";

const ATTACK_S = 0.015;
const RELEASE_S = 0.08;
/** Semitones over C by the letter where it stands on the keyboard: white keys in one row, black ones
 *  in the row above, as on a piano. */
const KEYS = {
  KeyA: 0,
  KeyW: 1,
  KeyS: 2,
  KeyE: 3,
  KeyD: 4,
  KeyF: 5,
  KeyT: 6,
  KeyG: 7,
  KeyY: 8,
  KeyH: 9,
  KeyU: 10,
  KeyJ: 11,
  KeyK: 12,
  KeyO: 13,
  KeyL: 14,
  KeyP: 15,
};
const [LOWEST_C, HIGHEST_C] = [24, 84];

let ctx = null;
let sounding = null;
let base = 60; // the C under the letter A
let take = () => {}; // what else happens with a note that is played

const volume = () => 0.35 * 10 ** (Number($("#volume").value) / 20);

/** A tone of `seconds`; the one before ends. */
export function tone(midi, seconds = 0.7) {
  hush();
  ctx ??= new AudioContext();
  ctx.resume().catch(() => {});
  const source = ctx.createOscillator();
  const level = ctx.createGain();
  const now = ctx.currentTime;
  source.type = "triangle";
  source.frequency.value = (state.song?.tuning_hz ?? 440) * 2 ** ((midi - 69) / 12);
  level.gain.setValueAtTime(0, now);
  level.gain.linearRampToValueAtTime(volume(), now + ATTACK_S);
  level.gain.setTargetAtTime(0, now + seconds, RELEASE_S);
  source.connect(level).connect(ctx.destination);
  source.start(now);
  source.stop(now + seconds + 6 * RELEASE_S);
  sounding = { level, midi };
  window.workbench.tone = midi; // for the console of the browser, and the tests
}

export function hush() {
  sounding?.level.gain.cancelScheduledValues(ctx.currentTime);
  sounding?.level.gain.setTargetAtTime(0, ctx.currentTime, 0.02);
  sounding = null;
}

const isOn = () => $("#piano-keys").checked;

/** Whether a key was one of the piano's; it sounds then. */
export function pianoKey(event) {
  if (!isOn() || event.altKey) return false;
  if (event.code === "KeyZ" || event.code === "KeyX") {
    base = Math.max(LOWEST_C, Math.min(HIGHEST_C, base + (event.code === "KeyX" ? 12 : -12)));
    say(`The letter A is C${base / 12 - 1}`);
    return true;
  }
  const step = KEYS[event.code];
  if (step === undefined) return false;
  if (!event.repeat) played(base + step);
  return true;
}

function played(midi) {
  tone(midi);
  take(midi, $("#piano-moves").checked);
}

async function useMidi() {
  if (!navigator.requestMIDIAccess) return say("This browser does not hand MIDI keys to pages");
  try {
    const access = await navigator.requestMIDIAccess();
    const inputs = [...access.inputs.values()];
    for (const input of inputs)
      input.onmidimessage = ({ data: [status, midi, strength] }) => {
        if ((status & 0xf0) === 0x90 && strength) played(midi);
      };
    return say(
      inputs.length
        ? `MIDI keys: ${inputs.map((input) => input.name).join(", ")}`
        : "No MIDI keys are plugged in",
    );
  } catch {
    return say("The browser did not allow MIDI keys");
  }
}

/** `done` is told each note that is played, and whether the chosen note is to go there. */
export function setUpTones(done) {
  take = done;
  $("#piano-rows").replaceChildren(
    el(
      "label",
      { class: "row" },
      el("input", { type: "checkbox", id: "piano-keys" }),
      el(
        "span",
        {},
        "letters are piano keys: A S D F G H J white, W E T Y U black, Z and X change the octave",
      ),
    ),
    el(
      "label",
      { class: "row" },
      el("input", { type: "checkbox", id: "piano-moves" }),
      el("span", {}, "and what is played is where the chosen note goes"),
    ),
    el("button", { type: "button", onclick: useMidi }, "Use MIDI keys"),
  );
}
