// What the page knows, in one place; whoever shows a part of it listens for its name.

import { Refused, get, post } from "./api.js";
import { say, settled } from "./dom.js";
import { forgetUnsent, keepUnsent, unsentOf } from "./unsent.js";

const listeners = new Map();

export const on = (name, listener) => {
  if (!listeners.has(name)) listeners.set(name, []);
  listeners.get(name).push(listener);
};
export const tell = (name, ...given) => (listeners.get(name) ?? []).forEach((listener) => listener(...given));

export const state = {
  song: null,
  drafts: new Map(), // name of a variant -> { rules, about, saved }
  name: "",
  plan: null,
  verdicts: [], // how each edit of a finished mix came out
  note: null, // chosen note of the melody, by index
  place: 0, // seconds where playing begins
  blind: false,
};

export const rules = () => state.drafts.get(state.name)?.rules ?? [];
export const rulesText = () => rules().filter((line) => line.trim());
export const melodyNotes = () => state.song?.stems[state.song.melody]?.notes ?? [];
export const phrases = () => state.song?.stems[state.song.melody]?.phrases ?? [];
export const chosenNote = () => melodyNotes().find((note) => note.index === state.note) ?? null;

const LEAD_S = 0.05; // heard before a phrase begins
let changing = 0;
const same = (a, b) => a.length === b.length && a.every((line, k) => line === b[k]);
const kept = (lines) => lines.map((line) => line.trim()).filter(Boolean);

export function isSaved(name = state.name) {
  const draft = state.drafts.get(name);
  if (!draft) return true;
  const written = state.song.variants.find((variant) => variant.name === name);
  return written
    ? same(kept(draft.rules), written.rules) && draft.about === written.about
    : kept(draft.rules).length === 0;
}

export const unsaved = () => [...state.drafts.keys()].filter((name) => !isSaved(name));

/** Takes a song from the server; drafts that differ from the file stay as they are. */
export function takeSong(song, { fresh = false } = {}) {
  const stay = fresh || !state.song ? [] : unsaved();
  state.song = song;
  const before = state.drafts;
  state.drafts = new Map(song.variants.map((v) => [v.name, { rules: [...v.rules], about: v.about }]));
  for (const name of stay) state.drafts.set(name, before.get(name));
  const back = fresh ? putBack(song.drafts) : [];
  if (!state.drafts.size) state.drafts.set("first-try", { rules: [""], about: "" });
  if (!state.drafts.has(state.name)) [state.name] = state.drafts.keys();
  if (!chosenNote()) state.note = null;
  tell("song");
  tell("variant");
  if (back.length) say(`What was not saved is back: ${back.join(", ")}`);
}

/** Variants that an earlier page had not saved, as they stood there. Returns the names of those that
 *  differ from the song file. */
function putBack(drafts) {
  const unsent = unsentOf(state.song.ident);
  const take = ({ name, rules: lines, about }) => state.drafts.set(name, { rules: [...lines], about });
  drafts.forEach(take);
  told = new Map(drafts.map(({ name }) => [name, JSON.stringify(state.drafts.get(name))]));
  unsent.forEach(take); // written after the server had gone
  return [...new Set([...drafts, ...unsent].map(({ name }) => name))].filter((name) => !isSaved(name));
}

let told = new Map(); // the drafts of this page that the server keeps, name -> JSON
let saidWhy = ""; // it keeps them only as long as it runs

/** Lets the server keep what is not saved, should this page or the server end unforeseen. */
const keepDrafts = settled(async () => {
  if (!state.song) return;
  const now = new Map(unsaved().map((name) => [name, JSON.stringify(state.drafts.get(name))]));
  const changed = [...now.keys()].filter((name) => now.get(name) !== told.get(name));
  const gone = [...told.keys()].filter((name) => !now.has(name));
  if (!changed.length && !gone.length) return forgetUnsent(state.song.ident);
  const before = told;
  told = now;
  const drafts = changed.map((name) => ({ name, ...JSON.parse(now.get(name)) }));
  const { ident } = state.song;
  const answer = await post("drafts", { drafts, gone }).catch(() => {
    told = new Map(gone.map((name) => [name, before.get(name)])); // all is told again
    keepUnsent(
      ident,
      [...now].map(([name, draft]) => ({ name, ...JSON.parse(draft) })),
    );
  });
  if (answer) forgetUnsent(ident);
  const why = now.size ? (answer?.lost_since ?? "") : "";
  if (why && why !== saidWhy)
    say(`Save before you leave: what is not saved ends with the server, since ${why}`);
  saidWhy = why;
}, 400);
for (const name of ["rules", "variant", "song"]) on(name, keepDrafts);

export function setRules(lines) {
  state.drafts.get(state.name).rules = lines;
  tell("rules");
}

export function choose(name) {
  state.name = name;
  tell("variant");
}

export function chooseNote(index, { move = true } = {}) {
  state.note = index;
  const note = chosenNote();
  if (note && move) state.place = Math.max(0, (phraseAt(note.start_s) ?? note).start_s - LEAD_S);
  tell("note");
  if (note && move) tell("place");
}

/** The phrase that sounds at a time, or the next. A chosen note is played from the start of its
 *  phrase, so that the ear has context. */
export function phraseAt(seconds) {
  const all = phrases();
  return all.find((p) => seconds < p.end_s - LEAD_S - 0.01) ?? all[all.length - 1] ?? null;
}

let queue = Promise.resolve();

/** A change of the song file, after those asked for before it; `body` may be a function, asked when
 *  its turn comes, null for nothing. Says what went wrong, offers to load a file that moved on. */
export function change(path, body, done) {
  changing += 1;
  tellWorking();
  const turn = queue.then(() => changeNow(path, body, done));
  queue = turn;
  return turn;
}

function tellWorking() {
  say(changing > 1 ? `Working: ${changing} changes to go` : "Working");
}

async function changeNow(path, body, done) {
  try {
    const given = typeof body === "function" ? body() : body;
    if (!given) return false;
    const song = await post(path, { ...given, revision: state.song.revision });
    takeSong(song);
    if (done) say(done);
    return true;
  } catch (error) {
    tell("refused", error);
    if (error instanceof Refused && error.status === 409) tell("conflict", `${error.message}.`);
    else say(`Nothing was changed: ${error.why || error.message}`);
    return false;
  } finally {
    changing -= 1;
    if (changing) tellWorking();
  }
}

export async function reload() {
  say("Loading it, and listening to what is new");
  takeSong(await post("reload"));
  say("Loaded the song file as it is now");
}

/** What another take of a stem touches, said before it is loaded. */
function takesWords(files) {
  const stems = state.song.sound.filter(({ file }) => files.includes(file));
  const ofTakes = ({ stem }) => stems.some(({ name, role }) => role === "mix" || name === stem);
  const made = state.song.corrections.filter(ofTakes).length;
  const touched = made
    ? ` ${made === 1 ? "1 correction was" : `${made} corrections were`} made on the take before; ` +
      "what may be off is listed under the remarks once it is loaded."
    : "";
  const are = files.length === 1 ? "is another take" : "are other takes";
  return `${files.join(", ")} ${are} now. You still hear and see the take before.${touched}`;
}

const EXPIRED = "This address has expired. Open the one in the terminal; what is not saved is there too.";
let isSilent = false;

/** Looks from time to time whether the file was changed by another window or program. */
export function watch() {
  setInterval(async () => {
    if (!state.song || document.hidden || changing) return undefined;
    const before = state.song.revision;
    const now = await get("state").catch((error) => ({ error }));
    if (now.error) {
      isSilent = true;
      return say(now.error.status === 401 ? EXPIRED : now.error.message);
    }
    if (isSilent) {
      isSilent = false;
      tell("rules"); // asks for what was written meanwhile
      say("The server answers again");
    }
    if (changing || before !== state.song.revision) return undefined;
    if (now.missing_stems.length) say(`${now.missing_stems.join(", ")} missing: put it back into its folder`);
    else if (now.other_takes.length) tell("conflict", takesWords(now.other_takes));
    else if (now.changed_outside) tell("conflict", `${state.song.song} was changed by another program.`);
    else if (now.revision && now.revision !== state.song.revision) {
      tell("conflict", `${state.song.song} was changed in another window.`);
    }
    return undefined;
  }, 3000);
}
