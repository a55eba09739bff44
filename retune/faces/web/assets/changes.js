// What changes: a table of the moved notes, and what follows from them in words.

import { $, el, printed, quoted, shape } from "./dom.js";
import { chooseNote, melodyNotes, on, phrases, state } from "./store.js";

const capital = (text) => `${text[0].toUpperCase()}${text.slice(1)}`;

function ending(row) {
  if (!row.before && !row.after) return el("td", {}, "");
  const cell = el("td", {}, shape(row.before), `${row.before ?? "unknown"} → `);
  const after = el("b", { class: "v" }, shape(row.after), row.words || row.after || "");
  cell.append(el("span", { class: "num" }, after));
  return cell;
}

function moved(row) {
  const cell = el("td", {});
  if (row.to) cell.append(`${row.from} → `, el("b", { class: "v" }, row.to));
  else cell.append(el("i", {}, row.stem));
  cell.append(el("br"), el("span", { class: "small quiet" }, row.how));
  if (row.to && row.stem !== state.song.melody) cell.prepend(el("i", {}, `${row.stem}: `));
  if (row.doubt)
    cell.append(
      el("br"),
      el("span", { class: "small" }, `In doubt: ${row.doubt}. Listen, then correct it or say it is right.`),
    );
  return cell;
}

const verdictOf = (row) =>
  state.verdicts.find((v) => v.stem === row.stem && Math.abs(v.start_s - row.at_s) < 0.001);

/** How an edit of a finished mix came out: a word, with a sign where it says no, and why. It has a
 *  line of its own under the edit, as wide as the table. */
function verdict(row) {
  const found = verdictOf(row);
  if (!found) return el("td", { colspan: 3, class: "small quiet" }, "In the mix: not judged yet");
  const no = found.word === "do not use";
  return el(
    "td",
    { colspan: 3, class: "small" },
    el("span", { class: "quiet" }, "In the mix: "),
    no ? shape("clash") : "",
    el("b", { class: no ? "warn" : null }, found.word),
    el("span", { class: "quiet" }, `: ${found.text}`),
  );
}

function line(row) {
  const isMelody = row.stem === state.song.melody && row.note != null;
  const bar = row.bar ?? "";
  const label = isMelody
    ? el(
        "button",
        {
          class: "plain",
          type: "button",
          "aria-label": `Bar ${bar}: choose this note`,
          onclick: () => chooseNote(row.note),
        },
        String(bar),
      )
    : String(bar);
  const over = row.over ? [el("b", {}, row.over.roman || ""), ` ${row.over.name}`] : [""];
  const isJudged = Boolean(state.plan.caveat);
  const note = { "data-note": isMelody ? row.note : null };
  const cells = [
    el("th", { scope: "row", rowspan: isJudged ? 2 : null }, label),
    moved(row),
    el("td", {}, ...over),
    ending(row),
  ];
  return [
    el("tr", note, ...cells),
    ...(isJudged ? [el("tr", { ...note, class: "verdict" }, verdict(row))] : []),
  ];
}

function table(rows) {
  return el(
    "table",
    {},
    el("caption", { class: "hide" }, `Edits of the variant ${state.name}`),
    el(
      "thead",
      {},
      el("tr", {}, ...["Bar", "From, to", "Over", "Ending"].map((name) => el("th", { scope: "col" }, name))),
    ),
    el("tbody", {}, ...rows.flatMap(line)),
  );
}

/** One sentence, its place bold; a clash after its sign. */
function consequence(item) {
  const isClash = item.kind === "clash";
  const [, place, rest] = item.text.match(/^([^:]{1,14}): (.*)$/s) ?? [];
  return el(
    "li",
    { class: isClash ? "clash" : null },
    shape(isClash ? "clash" : "dash"),
    isClash ? el("span", { class: "hide" }, "Clash. ") : null,
    place ? el("b", { class: isClash ? "warn" : null }, `${place}: `) : null,
    rest ?? item.text,
  );
}

function show() {
  const plan = state.plan;
  if (!plan) return;
  const parts = [];
  if (plan.caveat) parts.push(el("p", { class: "small" }, `${capital(plan.caveat)}.`));
  if (plan.rows.length) parts.push(table(plan.rows));
  else
    parts.push(
      el(
        "p",
        { class: "quiet" },
        state.plan.asked.some((text) => text.trim())
          ? plan.lines.some((line) => line.fault)
            ? "Nothing moves until what is written can be read."
            : "Nothing moves."
          : "Nothing yet. Write a rule, such as “move phrase-ending degree 2 to degree 1”, " +
              "or choose one under “Build a sentence instead”.",
      ),
    );
  const items = [
    ...plan.consequences.map(consequence),
    ...plan.warnings.map((text) => el("li", {}, shape("dash"), quoted(text))),
  ];
  if (items.length) parts.push(el("ul", { class: "cons" }, ...items));
  if (plan.rows.length)
    parts.push(...state.song.tension.map((text) => el("p", { class: "small quiet" }, `${capital(text)}.`)));
  $("#changes").replaceChildren(...parts);
  markRow();
}

const COLUMNS = ["Note", "Bar", "Beat", "Pitch", "Degree", "Chord", "Role", "Phrase", "Ending"];

/** Every note of the melody as a real table, made when it is opened. */
function showNotes() {
  if (!$("#all-notes").open || !state.song) return;
  const endings = new Map(phrases().map((p) => [p.ending_note, p.ending ?? p.ending_melodic ?? "unknown"]));
  const rows = melodyNotes().map((note) =>
    el(
      "tr",
      { "data-note": note.index },
      el(
        "th",
        { scope: "row" },
        el(
          "button",
          {
            class: "plain",
            type: "button",
            "aria-label": `Choose note ${note.index}`,
            onclick: () => chooseNote(note.index),
          },
          String(note.index),
        ),
      ),
      ...[
        note.bar,
        note.beat?.toFixed(1),
        printed(note.name),
        note.degree && printed(note.degree),
        state.song.chord_names[note.chord],
        note.chord_role,
        note.phrase,
        endings.get(note.index),
      ].map((value) => el("td", {}, value == null ? "" : String(value))),
    ),
  );
  $("#notes-table").replaceChildren(
    el(
      "div",
      { class: "wide", tabindex: 0, role: "region", "aria-label": "All notes" },
      el(
        "table",
        { class: "small" },
        el("caption", { class: "hide" }, `Notes of ${state.song.melody}`),
        el("thead", {}, el("tr", {}, ...COLUMNS.map((name) => el("th", { scope: "col" }, name)))),
        el("tbody", {}, ...rows),
      ),
    ),
  );
  markRow();
}

function markRow() {
  document.querySelectorAll("#changes tr[data-note], #notes-table tr[data-note]").forEach((tr) => {
    tr.classList.toggle("chosen-row", Number(tr.dataset.note) === state.note);
  });
}

export function setUpChanges() {
  on("planned", show);
  on("followed", () => state.plan?.caveat && show());
  on("note", markRow);
  on("song", showNotes);
  $("#all-notes").addEventListener("toggle", showNotes);
}
