// The whole recording at a glance, to choose the part that is worked on: loudness, where somebody
// sings, sections; with its seconds.

import { get } from "./api.js";
import { el } from "./dom.js";

const [WIDTH, HEIGHT, SUNG_Y] = [960, 90, 62];
const SHORTEST_S = 0.5;

const clock = (seconds) => {
  const whole = Math.round(10 * seconds) / 10;
  const minutes = Math.floor(whole / 60);
  return `${minutes}:${(whole - 60 * minutes).toFixed(1).padStart(4, "0")}`;
};

function drawn(found) {
  const x = (seconds) => (WIDTH * seconds) / found.duration_s;
  const column = WIDTH / found.level_db.length;
  const bars = found.level_db
    .map((db, k) => {
      const height = Math.max(1, (40 * (db + 60)) / 60);
      return `M${(k * column + column / 2).toFixed(1)} ${56}V${(56 - height).toFixed(1)}`;
    })
    .join("");
  const sung = found.sung.map(([a, b]) => `M${x(a).toFixed(1)} ${SUNG_Y}H${x(b).toFixed(1)}`).join("");
  const names = found.sections
    .map(
      ({ start_s: at }, k) =>
        `<text x="${(x(at) + 3).toFixed(1)}" y="84" data-section="${k}"></text>` +
        `<path class="tick" d="M${x(at).toFixed(1)} 68V88"/>`,
    )
    .join("");
  const part = '<rect class="part" y="2" height="86" width="0" hidden/>';
  return `<path class="loud" d="${bars}"/><path class="sung-line" d="${sung}"/>${names}${part}`;
}

/** A strip of the recording; `chosen` is told the passage as text, such as "0:48.0-1:12.0". */
export async function overviewStrip(chosen) {
  const found = await get("overview");
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("viewBox", `0 0 ${WIDTH} ${HEIGHT}`);
  svg.setAttribute("class", "overview");
  svg.setAttribute("role", "img");
  svg.setAttribute(
    "aria-label",
    `The whole recording, ${clock(found.duration_s)}: loudness` +
      `${found.sung.length ? ", where somebody sings" : ""}, sections`,
  );
  svg.innerHTML = drawn(found);
  svg.querySelectorAll("text").forEach((text) => {
    text.textContent = found.sections[Number(text.dataset.section)].name;
  });
  const beneath = found.sung.length ? " The line beneath is where somebody sings." : "";
  const words = el("p", { class: "small", role: "status" }, `Drag over the part to work on.${beneath}`);
  const part = svg.querySelector(".part");
  const mark = ([a, b]) => {
    part.removeAttribute("hidden");
    part.setAttribute("x", (WIDTH * a) / found.duration_s);
    part.setAttribute("width", (WIDTH * (b - a)) / found.duration_s);
    words.textContent = `From ${clock(a)} to ${clock(b)}: ${(b - a).toFixed(1)} s.`;
  };
  if (found.passage) mark(found.passage);
  const at = (event) => {
    const box = svg.getBoundingClientRect();
    return found.duration_s * Math.max(0, Math.min(1, (event.clientX - box.left) / box.width));
  };
  let from = null;
  const span = (event) => [from, at(event)].sort((a, b) => a - b);
  svg.addEventListener("pointerdown", (event) => {
    from = at(event);
    svg.setPointerCapture(event.pointerId);
  });
  svg.addEventListener("pointermove", (event) => from !== null && mark(span(event)));
  svg.addEventListener("pointerup", (event) => {
    if (from === null) return;
    const [a, b] = span(event);
    from = null;
    if (b - a >= SHORTEST_S) chosen(`${clock(a)}-${clock(b)}`);
  });
  const sections = found.sections.map((section) =>
    el(
      "button",
      {
        class: "plain",
        type: "button",
        onclick: () => {
          mark([section.start_s, section.end_s]);
          chosen(`${clock(section.start_s)}-${clock(section.end_s)}`);
        },
      },
      section.name,
    ),
  );
  return el("div", {}, svg, words, el("div", { class: "set" }, ...sections));
}
