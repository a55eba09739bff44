// The presentation view in the workbench: the drawings that the page's view shows, made for the rules
// as they stand, one phrase when it is wanted.

import { post } from "./api.js";
import { $, el, say } from "./dom.js";
import { pick, player, toFirstChange } from "./listen.js";
import { on, phraseAt, rulesText, state } from "./store.js";
import { Stage } from "./stage.js";

const KINDS = {
  original: "Original",
  variant: "Variant",
  "matched-control": "Matched control",
  other: "Variant",
};
const style = new CSSStyleSheet();
document.adoptedStyleSheets = [...document.adoptedStyleSheets, style];

let stage = null;
let asked = new Set(); // phrases that are drawn, or being drawn

const otherName = () => $("#other").value;
const otherRules = () => (state.drafts.get(otherName())?.rules ?? []).filter((line) => line.trim());

/** What the view asks of the song that plays. */
const song = {
  get versions() {
    return ["original", "variant", "matched-control", ...(otherName() ? ["other"] : [])].map((name) => ({
      name,
      kind: name === "other" ? "variant" : name,
      label: [KINDS[name], { variant: state.name, other: otherName() }[name]].filter(Boolean).join(" "),
      picture: name,
    }));
  },
  get chosen() {
    return player.chosen;
  },
  now: () => (player.playing ? player.now() : state.place),
  phraseNow: () => {
    const number = phraseAt(song.now() + 0.1)?.index ?? 0;
    if (number) drawn(number);
    return number;
  },
  openPhrase: toFirstChange,
  choose: pick,
  show: () => {},
};

/** Has one phrase drawn as sung and as each variant moves it. */
async function drawn(number) {
  if (asked.has(number)) return;
  asked.add(number);
  const here = asked;
  const of = [
    ["", []],
    ["variant", rulesText()],
    ["other", otherName() ? otherRules() : []],
  ].filter(([picture, rules]) => !picture || rules.length);
  const made = await Promise.all(of.map(([, rules]) => post("large", { rules, phrase: number }))).catch(
    (error) => {
      here.delete(number);
      say(error.message);
    },
  );
  if (!made || here !== asked) return;
  style.replaceSync(made[0].css);
  made.forEach(({ svg, told }, k) => {
    if (!svg) return;
    const box = el("div", {
      "data-phrase": number,
      "data-picture": of[k][0],
      "data-told": told,
      hidden: true,
    });
    box.innerHTML = svg;
    $("#large .drawn").append(box);
  });
  stage.show();
}

export function openLarge() {
  if (!phraseAt(0)) return say("There is no phrase to show large");
  asked = new Set();
  $("#large .drawn").replaceChildren();
  $("#large .choices").replaceChildren(
    ...song.versions.map(({ label }, k) =>
      el(
        "li",
        {},
        el(
          "button",
          { type: "button", class: "plain", "data-stage": k },
          el("b", {}, `${k + 1}`),
          ` ${label}`,
        ),
      ),
    ),
  );
  return stage.open();
}

export const isLarge = () => stage?.isOpen ?? false;
export const largeKey = (key) => stage.key(key);
export function setUpLarge() {
  stage = new Stage($("#large"), song);
  for (const name of ["sounding", "place"]) on(name, () => stage.show());
  $("#go-large").addEventListener("click", openLarge);
}
