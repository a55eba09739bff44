// Keeping: variants by name, the song file, files on disk, and changes taken back.

import { get, post } from "./api.js";
import { $, el, quoted, say } from "./dom.js";
import { change, choose, on, reload, rules, rulesText, state, takeSong, unsaved } from "./store.js";

const FORMATS = {
  midi: "MIDI",
  musicxml: "score",
  csv: "tables",
  parquet: "tables, Parquet",
  jams: "JAMS",
  lab: "labels",
  svg: "picture, SVG",
  png: "picture, PNG",
  pdf: "slides, handout, PDF",
  pptx: "slides to edit, PPTX",
  blind: "blind test sheets",
  stems: "stems for a DAW",
  mp4: "film, MP4",
};
const NAME = /^[A-Za-z][A-Za-z0-9_-]{0,63}$/;

function showVariants() {
  const names = [...state.drafts.keys()];
  $("#variant").replaceChildren(...names.map((name) => el("option", { value: name }, name)));
  $("#variant").value = state.name;
  $("#about").textContent = state.drafts.get(state.name)?.about ?? "";
  showSaved();
}

let told = ""; // what showSaved said last: said anew only when it changes, so that what was
// said of a change stays to be read

function showSaved() {
  const open = unsaved();
  $("#unsaved").hidden = !open.length;
  $("#unsaved").replaceChildren(
    el("b", {}, "Not saved. "),
    `${open.length > 1 ? `The variants ${open.join(", ")} are` : `The variant ${open[0]} is`} ` +
      "not in the song file yet.",
  );
  $("#save").disabled = !open.length;
  $("#undo").disabled = !state.song.undo;
  $("#redo").disabled = !state.song.redo;
  $("#remove-variant").disabled = !state.song.variants.some((v) => v.name === state.name);
  const fault = state.plan?.lines.findIndex((line) => line.fault) ?? -1;
  const words =
    fault >= 0
      ? `Rule ${fault + 1} cannot be read; the others still hold`
      : open.length
        ? `Not saved: ${open.join(", ")}`
        : "All changes saved";
  if (words !== told) say(words);
  told = words;
}

/** Says again what is saved, over whatever was said since. */
function tellSaved() {
  told = "";
  showSaved();
}

/** Saves every variant that is not saved, the one that is shown first. */
export async function save() {
  const names = unsaved().sort((a, b) => (b === state.name) - (a === state.name));
  if (!names.length) return say("All changes saved");
  if (!state.song.is_song_file && !(await adopt())) return undefined;
  const saved = [];
  for (const name of names) if (await saveOne(name)) saved.push(name);
  const left = names.filter((name) => !saved.includes(name));
  if (saved.length > 1 || (saved.length && left.length))
    say(`Saved ${saved.join(", ")}${left.length ? `; not ${left.join(", ")}` : ""}`);
  return saved.length === names.length;
}

function saveOne(name) {
  const { rules: lines, about } = state.drafts.get(name);
  return change("variant", { name, rules: lines.filter((line) => line.trim()), about }, `Saved ${name}`);
}

/** A bare recording gets a song file beside it, so that there is something to save to. */
async function adopt() {
  const { song } = state;
  const key = song.key.tonic && song.key.source === "given" ? `${song.key.tonic} ${song.key.mode}` : "auto";
  try {
    takeSong(
      await post("new", {
        title: song.title,
        stems: [{ file: song.song, role: "melody" }],
        music: [{ name: "key", value: key }],
      }),
    );
    return true;
  } catch (error) {
    say(error.message);
    return false;
  }
}

export async function undo() {
  if (!state.song.undo) return say("There is nothing to undo");
  return change("undo", {}, "Undone");
}

export async function redo() {
  if (!state.song.redo) return say("There is nothing to redo");
  return change("redo", {}, "Redone");
}

function freshName(base) {
  let number = 2;
  let name = base;
  while (state.drafts.has(name)) {
    name = `${base}-${number}`;
    number += 1;
  }
  return name;
}

let naming = null;
function askName(kind) {
  naming = kind;
  $("#naming").hidden = false;
  $("#new-name").value =
    kind === "new" ? freshName("my-variant") : kind === "copy" ? freshName(`${state.name}-copy`) : state.name;
  $("#new-name").focus();
  $("#new-name").select();
}

async function nameDone() {
  const name = $("#new-name").value.trim().replace(/\s+/g, "-");
  if (!NAME.test(name) || ["original", "matched-control"].includes(name.toLowerCase())) {
    return say(
      "A name begins with a letter; letters, digits, - and _ follow. Not “original” or “matched-control”.",
    );
  }
  if (state.drafts.has(name) && !(naming === "rename" && name === state.name))
    return say(`There is a variant ${name} already`);
  $("#naming").hidden = true;
  if (naming === "new") add(name, { rules: [""], about: "" });
  else if (naming === "copy") add(name, { rules: [...rules()], about: state.drafts.get(state.name).about });
  else if (name !== state.name) await rename(name);
  $("#rules textarea")?.focus();
  return undefined;
}

function add(name, draft) {
  state.drafts.set(name, draft);
  choose(name);
  showVariants();
}

async function rename(name) {
  const old = state.name;
  const wasWritten = state.song.variants.some((v) => v.name === old);
  add(name, state.drafts.get(old));
  if (!wasWritten) {
    state.drafts.delete(old);
    return showVariants();
  }
  if (await saveOne(name)) await change("variant/remove", { name: old }, `${old} is now ${name}`);
  return undefined;
}

async function removeVariant() {
  const name = state.name;
  if (await change("variant/remove", { name }, `Removed ${name}; undo brings it back`)) {
    state.drafts.delete(name);
    if (!state.drafts.size) state.drafts.set("first-try", { rules: [""], about: "" });
    if (!state.drafts.has(state.name)) choose([...state.drafts.keys()][0]);
    showVariants();
  }
}

// --- works on the server -----------------------------------------------------------------------

const WORDS = { render: "Rendering to files", page: "Making the comparison page", export: "Exporting" };

async function begin(what, more = {}) {
  let task;
  try {
    task = await post("make", { what, name: state.name, rules: rulesText(), ...more });
  } catch (error) {
    return say(error.message);
  }
  const bar = el("progress", { max: 1, value: 0, "aria-label": WORDS[what] });
  const words = el("p", { class: "small" }, `${WORDS[what]}.`);
  const stop = el(
    "button",
    { class: "plain", type: "button", onclick: () => post("task/stop", { id: task.id }) },
    "Stop",
  );
  const box = el("div", { class: "task" }, words, bar, stop);
  $("#tasks").prepend(box);
  while (task.state === "running") {
    await new Promise((resolve) => {
      setTimeout(resolve, 250);
    });
    task = await get(`task?id=${task.id}`).catch((error) => ({
      ...task,
      state: "failed",
      error: error.message,
    }));
    bar.value = task.fraction;
    words.textContent = `${WORDS[what]}: ${task.stage}.`;
  }
  return finished(task, box, what);
}

function finished(task, box, what) {
  const done = el("button", { class: "plain", type: "button", onclick: () => box.remove() }, "put away");
  if (task.state === "done") {
    const places = task.result.places.slice(0, 12).map((place) => el("code", {}, place));
    box.replaceChildren(
      el(
        "p",
        { class: "small" },
        el("b", {}, "Done. "),
        "In the song’s folder: ",
        ...places.flatMap((c) => [c, " "]),
      ),
      ...task.result.warnings.slice(0, 6).map((text) => el("p", { class: "small quiet" }, text)),
      done,
    );
    say(`${WORDS[what]}: done`);
  } else {
    const words =
      task.state === "stopped" ? "Stopped. Files that were whole by then are kept." : quoted(task.error);
    box.replaceChildren(el("p", { class: `small${task.state === "failed" ? " warn" : ""}` }, words), done);
  }
}

function showExport() {
  const box = $("#export-kinds");
  box.hidden = !box.hidden;
  $("#export").setAttribute("aria-expanded", String(!box.hidden));
  if (box.children.length > 1) return;
  box.append(
    ...Object.entries(FORMATS).map(([value, words]) =>
      el(
        "label",
        { class: "row" },
        el("input", { type: "checkbox", value, checked: ["midi", "csv", "svg"].includes(value) }),
        el("span", {}, words),
      ),
    ),
    el(
      "button",
      {
        type: "button",
        onclick: () =>
          begin("export", { formats: [...box.querySelectorAll("input:checked")].map((i) => i.value) }),
      },
      "Write these files",
    ),
  );
}

/** A finished mix can be measured against song files with stems that lie in its folder. */
async function showBeside() {
  const isMix = state.song.stems[state.song.melody]?.role === "mix";
  const { songs } = isMix ? await get("beside").catch(() => ({ songs: [] })) : { songs: [] };
  const chosen = $("#stems-song").value;
  $("#stems-beside").hidden = !songs.length;
  $("#stems-song").replaceChildren(
    ...["", ...songs].map((name) => el("option", { value: name }, name || "none")),
  );
  $("#stems-song").value = songs.includes(chosen) ? chosen : "";
}

// --- a file that moved on ----------------------------------------------------------------------

function conflict(text) {
  const box = $("#conflict");
  if (!box.hidden) return;
  box.hidden = false;
  box.replaceChildren(
    el(
      "p",
      {},
      el("b", {}, text),
      " Nothing is overwritten. Loading it keeps the rules that are not saved here.",
    ),
    el(
      "div",
      { class: "set" },
      el(
        "button",
        {
          type: "button",
          onclick: async () => {
            await reload().catch((e) => say(e.message));
            box.hidden = true;
          },
        },
        "Load it",
      ),
      el(
        "button",
        {
          class: "plain",
          type: "button",
          onclick: () => {
            box.hidden = true;
          },
        },
        "not now",
      ),
    ),
  );
}

export function setUpKeep() {
  on("song", () => {
    $("#conflict").hidden = true;
    showVariants();
    showBeside();
  });
  on("variant", showVariants);
  on("rules", showSaved);
  on("planned", showSaved);
  on("status", tellSaved);
  on("conflict", conflict);
  $("#variant").addEventListener("change", () => choose($("#variant").value));
  $("#new-variant").addEventListener("click", () => askName("new"));
  $("#copy-variant").addEventListener("click", () => askName("copy"));
  $("#rename-variant").addEventListener("click", () => askName("rename"));
  $("#name-done").addEventListener("click", nameDone);
  $("#name-off").addEventListener("click", () => {
    $("#naming").hidden = true;
  });
  $("#new-name").addEventListener("keydown", (event) => {
    if (event.key === "Enter" && !event.isComposing) {
      event.preventDefault(); // the focus goes to the rules, and Enter must not go with it
      nameDone();
    }
    if (event.key === "Escape") $("#naming").hidden = true;
  });
  $("#save").addEventListener("click", save);
  $("#undo").addEventListener("click", undo);
  $("#redo").addEventListener("click", redo);
  $("#remove-variant").addEventListener("click", removeVariant);
  $("#render").addEventListener("click", () => begin("render"));
  $("#page").addEventListener("click", () => begin("page", { beside: $("#stems-song").value }));
  $("#export").addEventListener("click", showExport);
  window.addEventListener("beforeunload", (event) => {
    if (state.song && unsaved().length) event.preventDefault();
  });
}
