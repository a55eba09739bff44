// A new song: stems dropped or chosen, a few facts, and then the picture.

import { get, post, upload } from "./api.js";
import { clearFaults, faultUnder } from "./field-fault.js";
import { $, $$, clock, el, say } from "./dom.js";

/** What a file without company may be, in words. */
const ALONE = { melody: "one voice alone", mix: "a finished recording" };

const FIELDS = [
  ["key", "#nk"],
  ["tempo_map", "#nmap"],
  ["meter", "#nm"],
  ["tempo_bpm", "#nb"],
  ["first_downbeat_s", "#nd"],
  ["chords", "#nc"],
];

let listing = { files: [], roles: [], maps: [] };

function fault(text) {
  clearFaults($("#new-form"));
  $("#new-fault").hidden = !text;
  $("#new-fault").textContent = text ?? "";
}

async function list() {
  listing = await get("files");
  const table = $("#stems");
  const before = new Map($$("tr[data-file]", table).map((row) => [row.dataset.file, $("select", row).value]));
  table.hidden = !listing.files.length;
  $("tbody", table).replaceChildren(
    ...listing.files.map((file) => {
      const roles = ["leave it out", ...listing.roles];
      const select = el(
        "select",
        { "aria-label": `Role of ${file.file}` },
        ...roles.map((role) =>
          el("option", { value: role }, listing.files.length === 1 ? (ALONE[role] ?? role) : role),
        ),
      );
      select.value = file.error ? "leave it out" : (before.get(file.file) ?? file.role);
      return el(
        "tr",
        { "data-file": file.file },
        el("th", { scope: "row" }, file.file),
        el("td", {}, file.error || clock(file.duration_s)),
        el("td", {}, select),
        el("td", { class: "quiet small" }, file.reason ? `A guess from the sound: ${file.reason}.` : ""),
      );
    }),
  );
  showMaps();
  $("#alone").hidden = listing.files.length !== 1;
  guessMelody();
  if (!$("#nt").value && listing.folder) $("#nt").value = listing.folder;
}

/** MIDI files of the folder may hold the tempo; one that is chosen stands for meter and tempo. */
function showMaps() {
  const select = $("#nmap");
  const before = select.value;
  select.replaceChildren(
    el("option", { value: "" }, "none"),
    ...listing.maps.map((name) => el("option", { value: name }, name)),
  );
  select.value = listing.maps.includes(before) ? before : "";
  const parts = [$("label[for=nmap]"), select, $("#nmaph"), $("#nmaph").previousElementSibling];
  for (const part of parts) part.hidden = !listing.maps.length;
  withoutMap();
}

/** Meter and tempo are asked where no map says them. */
function withoutMap() {
  for (const id of ["nm", "nb", "nd"]) $(`#${id}`).disabled = $("#nmap").value !== "";
}

/** One stem alone is the melody; without any, the first. */
function guessMelody() {
  const selects = $$("#stems select").filter((select) => select.value !== "leave it out");
  if (selects.length && !selects.some((s) => ["melody", "mix"].includes(s.value)))
    selects[0].value = "melody";
}

/** Of several melodies one leads: which is asked, and the others become its doubles or harmonies. */
function askWhichLeads() {
  const rows = $$("#stems tr[data-file]").filter((row) => $("select", row).value === "melody");
  const box = $("#leads");
  box.hidden = rows.length < 2;
  if (rows.length < 2) return false;
  const lead = (row, other) => () => {
    rows
      .filter((one) => one !== row)
      .forEach((one) => {
        $("select", one).value = other;
      });
    box.hidden = true;
  };
  box.replaceChildren(
    el(
      "p",
      {},
      el("b", {}, `${rows.length} melodies. `),
      "Which one leads? Rules mean that one; the others go along.",
    ),
    ...rows.map((row) =>
      el(
        "div",
        { class: "set" },
        el("b", {}, row.dataset.file),
        el("button", { type: "button", onclick: lead(row, "double") }, "leads; the others double it"),
        el("button", { type: "button", onclick: lead(row, "harmony") }, "leads; the others are harmonies"),
      ),
    ),
  );
  box.scrollIntoView({ block: "nearest" });
  return true;
}

async function send(files) {
  const faults = [];
  for (const file of files) {
    say(`Storing ${file.name}`);
    try {
      await upload(file);
    } catch (error) {
      faults.push(error.message);
    }
  }
  $("#drop-fault").hidden = !faults.length;
  $("#drop-fault").replaceChildren(...faults.map((text) => el("div", {}, text)));
  say("");
  await list();
}

/** `hearing` shows how far a promise of a song has come. */
export function setUpNewSong(hearing) {
  const drop = $("#drop");
  $("#choose").addEventListener("click", () => $("#chosen").click());
  $("#chosen").addEventListener("change", () => send([...$("#chosen").files]));
  drop.addEventListener("dragover", (event) => {
    event.preventDefault();
    drop.classList.add("over");
  });
  drop.addEventListener("dragleave", () => drop.classList.remove("over"));
  drop.addEventListener("drop", (event) => {
    event.preventDefault();
    drop.classList.remove("over");
    send([...event.dataTransfer.files]);
  });
  $("#nmap").addEventListener("change", withoutMap);
  $("#new-form").addEventListener("submit", async (event) => {
    event.preventDefault();
    const stems = $$("#stems tr[data-file]")
      .map((row) => ({ file: row.dataset.file, role: $("select", row).value }))
      .filter((stem) => stem.role !== "leave it out");
    if (!stems.length) return fault("Name the stems first: drop them on the page or choose files.");
    if (askWhichLeads()) return undefined;
    const music = FIELDS.filter(([, query]) => !$(query).disabled).map(([name, query]) => ({
      name,
      value: $(query).value.trim(),
    }));
    return open(() => post("new", { title: $("#nt").value.trim(), rights: "", stems, music }), hearing);
  });
  $("#open-demo").addEventListener("click", () => open(() => post("demo"), hearing));
  return list;
}

async function open(ask, hearing) {
  fault();
  say("Listening to the stems");
  try {
    await hearing(ask());
  } catch (error) {
    const query = FIELDS.find(([name]) => name === error.field)?.[1];
    if (query) faultUnder($(query), error.why);
    else fault(error.message);
    say("No song open");
  }
}
