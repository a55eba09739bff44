// Small helpers for the page.

export const $ = (query, root = document) => root.querySelector(query);
export const $$ = (query, root = document) => [...root.querySelectorAll(query)];

/** An element with attributes and children; `on...` are listeners, text goes in as text. */
export function el(name, attributes = {}, ...children) {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === undefined || value === null || value === false) continue;
    if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else if (key === "value" || key === "checked") made[key] = value;
    else made.setAttribute(key, value === true ? "" : value);
  }
  made.append(...children.filter((child) => child !== null && child !== undefined));
  return made;
}

const SHAPES = {
  "at rest": '<rect class="fill" x="2" y="2" width="12" height="12"/>',
  "partly at rest": '<path class="edge" d="M8 1L15 8L8 15L1 8Z"/><path class="fill" d="M1 8H15L8 15Z"/>',
  open: '<circle class="edge" cx="8" cy="8" r="6"/>',
  clash: '<path class="edge" d="M8 1.5L15 14.5H1Z"/><path class="edge" d="M8 6V10M8 11.5V13"/>',
  dash: '<path class="edge" d="M1 8H15"/>',
};

/** The sign of an ending, a clash or a sentence; always next to its word. */
export function shape(kind) {
  const holder = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  holder.setAttribute("class", "sh");
  holder.setAttribute("viewBox", "0 0 16 16");
  holder.setAttribute("aria-hidden", "true");
  holder.innerHTML = SHAPES[kind] ?? "";
  return holder;
}

export const minus = (number, digits = 1) =>
  (Math.abs(number) < 0.5 * 10 ** -digits ? 0 : number).toFixed(digits).replace("-", "\u2212");

/** A note name with the signs of print: "B♭4" for "Bb4". */
export const printed = (name) => (name ?? "?").replaceAll("b", "♭").replaceAll("#", "♯");

/** A note name as it is typed: "Bb4" for "B♭4". */
export const typed = (name) => (name ?? "").replaceAll("♭", "b").replaceAll("♯", "#");

/** Words of the program with the quotation marks of print. */
export const quoted = (text) => text.replace(/"([^"]*)"/g, "“$1”");

export const clock = (seconds) =>
  `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, "0")}`;

/** Runs `work` once the calls have stopped for `wait` ms; only the newest call counts. */
export function settled(work, wait) {
  let timer = 0;
  return (...given) => {
    clearTimeout(timer);
    timer = setTimeout(() => work(...given), wait);
  };
}

export function say(text) {
  $("#status").textContent = text;
}
