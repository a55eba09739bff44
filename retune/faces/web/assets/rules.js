// Writing rules: one sentence a line, its effect or its fault beneath, words to go on with.

import { post } from "./api.js";
import { $, $$, el, quoted, settled } from "./dom.js";
import { on, rules, setRules, state } from "./store.js";

const PAUSE_MS = 900; // an unfinished sentence is no fault before the typing pauses

let asked = 0;
let typedAt = -PAUSE_MS;

function row(text, index) {
  const area = el("textarea", {
    rows: 1,
    spellcheck: "false",
    autocapitalize: "off",
    autocomplete: "off",
    "aria-label": `Rule ${index + 1}`,
    "aria-autocomplete": "list",
    value: text,
    oninput: () => typed(area),
    onkeydown: (event) => keyed(event, area),
    onfocus: () => offerSoon(area),
    onclick: () => offerSoon(area),
  });
  const ghost = el("div", { class: "ghost", "aria-hidden": "true" });
  const take = el(
    "button",
    {
      class: "plain",
      type: "button",
      "aria-label": `Take rule ${index + 1} away`,
      onclick: () => remove(index),
    },
    "remove",
  );
  const item = el(
    "li",
    {
      onfocusout: (event) => {
        if (!item.contains(event.relatedTarget)) leave(item);
      },
    },
    el("div", { class: "sentence" }, el("div", { class: "sent" }, ghost, area), take),
    el("div", {
      class: "said",
      hidden: true,
      role: "listbox",
      id: `offer-${index}`,
      "aria-label": "Words to go on with",
    }),
    el("p", { class: "reads" }),
    el("div", { class: "fault", id: `fault-${index}`, hidden: true }),
  );
  ghost.textContent = `${text} `;
  return item;
}

export function showRules() {
  const lines = rules().length ? rules() : [""];
  const focused = $$("#rules textarea").indexOf(document.activeElement);
  $("#rules").replaceChildren(...lines.map(row));
  if (focused >= 0) $$("#rules textarea")[Math.min(focused, lines.length - 1)]?.focus();
  showEffects();
}

const texts = () => $$("#rules textarea").map((area) => area.value.replace(/\n/g, " "));

function typed(area) {
  const item = area.closest("li");
  $(".ghost", item).textContent = `${area.value} `;
  area.removeAttribute("aria-invalid");
  $(".fault", item).hidden = true;
  typedAt = performance.now();
  prune(area);
  setRules(texts());
  offerSoon(area);
}

function put(lines, focus) {
  setRules(lines.length ? lines : [""]);
  showRules();
  const areas = $$("#rules textarea");
  const area = areas[Math.max(0, Math.min(focus, areas.length - 1))];
  area.focus();
  area.setSelectionRange(area.value.length, area.value.length);
}

export function addRule(text = "") {
  const lines = texts().filter((line) => line.trim());
  put([...lines, text], lines.length);
}

function remove(index) {
  put(
    texts().filter((_, k) => k !== index),
    index,
  );
}

/** Replaces the rules that `matches` by one (or none): how keys send a note somewhere. */
export function replaceRule(matches, text) {
  const lines = rules().filter((line) => line.trim() && !matches(line));
  setRules(text ? [...lines, text] : lines.length ? lines : [""]);
  showRules();
}

/** Puts another rule in the place of one. */
export function replaceLine(old, text) {
  setRules(rules().map((line) => (line === old ? text : line)));
  showRules();
}

// --- words to go on with -----------------------------------------------------------------------

let offering = null;
let picked = -1;

async function offer(area) {
  const cursor = area.selectionStart;
  const number = (asked += 1);
  if (document.activeElement !== area || !area.isConnected) return;
  const got = await post("complete", { text: area.value, cursor }).catch(() => ({ words: [] }));
  if (number !== asked || document.activeElement !== area || !area.isConnected) return;
  const begun = begunAt(area);
  const words = got.words.filter((word) => word.toLowerCase() !== begun).slice(0, 14);
  showOffers(area, words);
}

const begunAt = (area) => area.value.slice(0, area.selectionStart).match(/\S*$/)[0].toLowerCase();

/** Takes words away that no longer fit, before the server says what does. */
function prune(area) {
  const begun = begunAt(area);
  const shown = $$(".offer", area.closest("li")).map((option) => option.textContent);
  showOffers(
    area,
    shown.filter((word) => begun && word.toLowerCase().startsWith(begun) && word.toLowerCase() !== begun),
  );
}

const offerSoon = settled(offer, 40);

function showOffers(area, words) {
  const list = $(".said", area.closest("li"));
  const shown = $$(".offer", list).map((option) => option.textContent);
  if (offering === area && !list.hidden && shown.join("\n") === words.join("\n")) return;
  picked = offering === area && picked >= 0 ? words.indexOf(shown[picked]) : -1;
  offering = words.length ? area : null;
  list.hidden = !words.length;
  list.replaceChildren(
    ...words.map((word, k) =>
      el(
        "span",
        {
          role: "option",
          class: "offer",
          id: `${list.id}-${k}`,
          "aria-selected": String(k === picked),
          onpointerdown: (event) => {
            event.preventDefault();
            accept(area, word);
          },
        },
        word,
      ),
    ),
  );
  if (words.length) area.setAttribute("aria-controls", list.id);
  else area.removeAttribute("aria-controls");
  if (picked >= 0) area.setAttribute("aria-activedescendant", `${list.id}-${picked}`);
  else area.removeAttribute("aria-activedescendant");
}

/** Closes a little late: what is clicked below must not slip away under the pointer. */
function leave(item) {
  setTimeout(() => {
    if (item.isConnected && !item.contains(document.activeElement)) closeOffers(item);
  }, 300);
}

function closeOffers(item) {
  const list = $(".said", item);
  list.hidden = true;
  asked += 1;
  offering = null;
  picked = -1;
}

function accept(area, word) {
  const cursor = area.selectionStart;
  const before = area.value.slice(0, cursor).replace(/\S*$/, "");
  const after = area.value.slice(cursor).replace(/^\S+/, "");
  area.value = `${before}${word} ${after.trimStart()}`;
  const place = before.length + word.length + 1;
  area.setSelectionRange(place, place);
  typed(area);
}

function keyed(event, area) {
  const item = area.closest("li");
  const options = offering === area ? $$(".offer", item) : [];
  const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
  if (event.key === "Enter" && !event.isComposing) {
    event.preventDefault();
    if (picked >= 0 && options[picked]) return accept(area, options[picked].textContent);
    const lines = texts();
    const index = $$("#rules textarea").indexOf(area);
    if (!area.value.trim()) return undefined;
    return put([...lines.slice(0, index + 1), "", ...lines.slice(index + 1)], index + 1);
  }
  if (step && options.length && (picked >= 0 || step > 0)) {
    event.preventDefault();
    picked = Math.max(-1, Math.min(options.length - 1, picked + step));
    options.forEach((option, k) => option.setAttribute("aria-selected", String(k === picked)));
    if (picked >= 0) area.setAttribute("aria-activedescendant", options[picked].id);
    else area.removeAttribute("aria-activedescendant");
    return undefined;
  }
  if (event.key === "Escape") {
    closeOffers(item);
    $("#pic").focus();
  }
  if (event.key === "Backspace" && !area.value && texts().length > 1) {
    event.preventDefault();
    remove($$("#rules textarea").indexOf(area));
  }
  return undefined;
}

// --- effect and fault --------------------------------------------------------------------------

export function showEffects() {
  const lines = state.plan?.lines ?? [];
  const shown = state.plan?.asked ?? [];
  $$("#rules > li").forEach((item, index) => {
    const area = $("textarea", item);
    const line = shown[index] === area.value ? lines[index] : null;
    if (!line) return;
    if (line.fault && document.activeElement === area && performance.now() - typedAt < PAUSE_MS) {
      faultSoon();
      return;
    }
    const differs = line.canonical && line.canonical !== area.value.trim();
    $(".reads", item).textContent = line.effect + (differs ? ` Read as: ${line.canonical}` : "");
    showFault(item, area, line.fault);
  });
}

/** What an earlier sentence did is not said under a sentence that nobody has read. */
function clearStale() {
  $$("#rules > li").forEach((item, index) => {
    if (state.plan?.asked[index] !== $("textarea", item).value) $(".reads", item).replaceChildren();
  });
}

const faultSoon = settled(showEffects, PAUSE_MS);

function showFault(item, area, fault) {
  const box = $(".fault", item);
  const ghost = $(".ghost", item);
  box.hidden = !fault;
  if (!fault) {
    ghost.textContent = `${area.value} `;
    area.removeAttribute("aria-invalid");
    area.removeAttribute("aria-describedby");
    return;
  }
  const { column, length } = fault;
  const [pre, word, post_] = [
    area.value.slice(0, column),
    area.value.slice(column, column + length),
    area.value.slice(column + length),
  ];
  ghost.replaceChildren(pre, el("mark", {}, word || " "), `${post_} `);
  area.setAttribute("aria-invalid", "true");
  area.setAttribute("aria-describedby", box.id);
  const use = fault.nearest
    ? el(
        "button",
        {
          class: "plain",
          type: "button",
          onclick: () => {
            area.value = pre + fault.nearest + post_;
            area.focus();
            typed(area);
          },
        },
        `Use “${fault.nearest}”`,
      )
    : null;
  box.replaceChildren(
    el("span", { class: "pre", "aria-hidden": "true" }, pre),
    el(
      "span",
      { class: "say" },
      el("b", {}, `${capital(quoted(fault.problem))}.`),
      fault.expected ? ` Expected ${quoted(fault.expected)}. ` : " ",
      use,
      ...(use ? [] : fault.readings.map((reading) => choice(area, reading))),
    ),
  );
}

/** A whole sentence to put in the place of what was typed. */
function choice(area, reading) {
  return el(
    "button",
    {
      class: "plain choice",
      type: "button",
      onclick: () => {
        area.value = reading;
        area.focus();
        typed(area);
      },
    },
    reading,
  );
}

const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);

export function setUpRules() {
  on("variant", showRules);
  on("planned", showEffects);
  on("refused", clearStale);
  $("#add-rule").addEventListener("click", () => addRule());
}

export const focusRules = () => $("#rules textarea")?.focus();
