// Ties player, picture, blind test and keys of each song on the page together.

import { BlindTest } from "./blind.js";
import { designOf } from "./blind-words.js";
import { $, $$, el, say } from "./dom.js";
import { Picture } from "./page-picture.js";
import { Stage } from "./stage.js";
import { Player, decode, splice } from "./player.js";

const mixerUrl = `data:text/javascript,${encodeURIComponent($("#mixer").textContent)}`;
const calm = matchMedia("(prefers-reduced-motion: reduce)");

class Song {
  constructor(root) {
    const number = root.dataset.song;
    this.root = root;
    this.facts = JSON.parse($(`#facts-${number}`).textContent);
    this.player = this.makePlayer($$(`script[data-sound="${number}"]`));
    this.pictures = $$(".pic", root).map((pic) => new Picture(pic, $(".here", root)));
    this.test = null;
    this.phrase = this.facts.phrases[0]?.number ?? 0;
    this.stage = $(".stage", root) ? new Stage($(".stage", root), this) : null;
    this.listen();
    this.openPhrase();
    this.show();
    this.prepare();
  }

  /** Decodes at once, so that Play plays; says so meanwhile. */
  async prepare() {
    this.preparing(true);
    this.player.preload();
    await Promise.allSettled(this.player.decoded ?? []);
    this.preparing(false);
  }

  /** Begins where something changes: in the view for a hall, and on a phone, which shows one line of
   * the picture at a time. */
  openPhrase() {
    if (this.player.playing || !(this.stage?.isOpen || this.picture?.isNarrow)) return;
    const first = this.facts.changed[0];
    const phrase = this.facts.phrases.find((p) => p.number === first);
    if (!phrase || this.player.position > this.facts.passage[0] + 0.01) return;
    this.phrase = first;
    this.goTo(phrase.start_s);
    this.follow();
  }

  /** On a phone the line of the picture that sounds is the one shown. */
  follow() {
    const since = this.facts.phrases.find((p) => p.number === this.phraseNow())?.start_s;
    this.picture?.follow(this.player.now(), since);
  }

  /** The phrase that sounds, or was chosen last. */
  phraseNow() {
    const now = this.player.now();
    const here = this.facts.phrases.findLast((p) => p.start_s <= now + 0.05);
    return here?.number ?? this.phrase;
  }

  get versions() {
    return this.facts.versions;
  }

  get chosen() {
    return this.player.chosen;
  }

  now() {
    return this.player.now();
  }

  makePlayer(blocks) {
    const { rate_hz: rateHz, versions, passage } = this.facts;
    const sound = soundOf(versions, blocks, rateHz);
    const player = new Player({
      rateHz,
      beginsS: passage[0],
      versions: versions.map((v) => v.name),
      sound,
      mixerUrl,
    });
    versions.forEach((v) => player.setGain(v.name, { plain: -v.gain_db, short: v.short_db }));
    player.setVolume(decibels($("[data-do=volume]", this.root)));
    player.onstate = () => this.show();
    player.onfault = (text) => {
      this.preparing(false);
      if (this.test) return this.test.told(text);
      $(".fault", this.root)?.remove();
      $("[data-do=play]", this.root)
        .closest(".set")
        .after(el("p", { class: "state fault" }, text));
      return say(text);
    };
    player.onload = (done, of) => this.preparing(done < of);
    return player;
  }

  /** Decoding takes a while on a phone; the button says so. */
  preparing(on) {
    this.isPreparing = on;
    this.show();
  }

  get picture() {
    return this.pictures.find((p) => !p.root.closest("figure").hidden) ?? this.pictures[0];
  }

  listen() {
    const on = (query, event, act) =>
      $$(query, this.root).forEach((e) => e.addEventListener(event, () => act(e)));
    on("input[name^=sounds]", "change", (e) => this.choose(this.facts.versions[Number(e.value)].name));
    on("[data-do=play]", "click", () => this.toggle());
    on("[data-do=exchange]", "click", () => this.choose(this.player.before));
    on("[data-do=present]", "click", () => this.stage?.open());
    on("[data-do=system]", "click", (e) => this.picture?.turn(Number(e.dataset.by)));
    on("[data-blind=start]", "click", () => this.listenBlind());
    on("[data-blind=phrase], [data-blind=pairs]", "change", () => this.tellPower());
    on("[data-do=loop]", "change", () => this.setLoop());
    on("[data-do=span]", "change", () => this.setSpan());
    on("[data-do=bar]", "change", () => this.setLoop());
    on("[data-do=match]", "change", (e) => this.player.setMatched(e.checked));
    on("[data-do=volume]", "input", (e) => this.player.setVolume(decibels(e)));
    on("[data-do=before]", "click", () => this.stepNote(-1));
    on("[data-do=after]", "click", () => this.stepNote(1));
    $$(".pic", this.root).forEach((pic) =>
      pic.addEventListener("click", (event) => {
        const group = event.target.closest(".note");
        if (group) this.goTo(this.picture.choose(group));
      }),
    );
  }

  async toggle() {
    const { player } = this;
    if (player.playing) return player.pause();
    songs.forEach((s) => {
      if (s !== this) s.player.pause();
    });
    const [first, last] = player.loop ?? this.facts.passage;
    const at = player.position;
    return player.play(at < first - 0.01 || at >= last - 0.02 ? first : at);
  }

  choose(name) {
    this.player.choose(name);
    const k = this.facts.versions.findIndex((v) => v.name === name);
    $(`input[name^=sounds][value="${k}"]`, this.root).checked = true;
    const { picture, label } = this.facts.versions[k];
    if (picture !== null)
      $$("figure[data-picture], figure[data-ladder]", this.root).forEach((f) => {
        f.hidden = Number(f.dataset.picture ?? f.dataset.ladder) !== picture;
      });
    say(`${label} sounds`);
    this.picture?.mark();
    this.show();
  }

  /** V goes to the first variant, and from a variant to the next. */
  chooseKind(kind) {
    const names = this.facts.versions.filter((v) => v.kind === kind).map((v) => v.name);
    if (names.length) this.choose(names[(names.indexOf(this.player.chosen) + 1) % names.length]);
  }

  /** What was chosen for the blind test. */
  chosenTest() {
    const { blind, choices } = this.facts;
    const passages = $$("[data-blind=phrase]:checked", this.root).map((box) => box.value);
    const sheet = Number($("[data-blind=sheet]", this.root).value);
    const nPairs = Number($("[data-blind=pairs]", this.root)?.value);
    const design = passages.length
      ? designOf({ tests: blind, choices }, { sheet, nPairs, passages })
      : blind.find((d) => d.sheet === sheet);
    return { verdicts: this.facts.verdicts, ...design };
  }

  /** How much the test can find, told before it is begun. */
  tellPower() {
    const place = $("[data-blind=power]", this.root);
    if (!place) return;
    const boxes = $$("[data-blind=phrase]", this.root);
    const none = boxes.length > 0 && !boxes.some((box) => box.checked);
    $("[data-blind=start]", this.root).disabled = none;
    place.textContent = none
      ? "Choose at least one phrase."
      : this.facts.choices[$("[data-blind=pairs]", this.root).value].power;
  }

  listenBlind() {
    const design = this.chosenTest();
    const named = $("[data-blind=listener]", this.root).value.trim();
    const listener = named || `guest ${Math.floor(100 + Math.random() * 900)}`;
    $("[data-do=match]", this.root).checked = true;
    this.player.setMatched(true);
    document.body.dataset.state = "blind";
    $("[data-blind=setup]", this.root).hidden = true;
    this.test = new BlindTest($("[data-blind=ask]", this.root), {
      design,
      listener,
      who: "one",
      say,
      play: (version, passage) => {
        this.player.choose(version);
        return this.player.playSpan(this.facts.passages[passage]);
      },
      stop: () => this.player.pause(),
      onend: () => this.leaveBlind(),
      back: "alone" in document.body.dataset ? "Begin again" : undefined,
    });
  }

  leaveBlind() {
    this.test = null;
    if (!("alone" in document.body.dataset)) document.body.dataset.state = "open";
    $("[data-blind=ask]", this.root).replaceChildren();
    $("[data-blind=setup]", this.root).hidden = false;
    this.choose(this.player.chosen);
    $("[data-blind=start]", this.root).focus();
  }

  /** What the loop covers: a phrase, or bars that are typed in. */
  span() {
    const [first, last] = this.facts.passage;
    const choice = $("[data-do=span]", this.root)?.value ?? "all";
    let [a, b] = [first, last];
    if (choice === "bars") {
      const [from, to] = $$("[data-do=bar]", this.root).map((e) => Number(e.value));
      const edges = this.facts.bars;
      a = edges[Math.min(Math.max(from, 1), edges.length - 1) - 1];
      b = edges[Math.min(Math.max(to, from), edges.length - 1)];
    } else if (choice !== "all") {
      const phrase = this.facts.phrases.find((p) => p.number === Number(choice));
      [a, b] = [phrase.start_s, phrase.end_s];
    }
    return [Math.max(a, first), Math.min(b, last)];
  }

  setSpan() {
    $(".bars", this.root).hidden = $("[data-do=span]", this.root).value !== "bars";
    this.setLoop();
  }

  setLoop() {
    const span = this.span();
    const on = $("[data-do=loop]", this.root).checked && span[1] - span[0] > 0.1;
    const { player } = this;
    const now = player.now();
    player.setLoop(on ? span : null);
    if (on && (now < span[0] || now >= span[1])) player.seek(span[0]);
    this.show();
  }

  goTo(time) {
    if (time === null) return;
    const { player } = this;
    if (player.loop && (time < player.loop[0] || time >= player.loop[1])) {
      $("[data-do=loop]", this.root).checked = false;
      player.setLoop(null);
    }
    const [first, last] = this.facts.passage;
    player.seek(Math.min(Math.max(time, first), last));
    this.show();
  }

  stepNote(by) {
    this.goTo(this.picture?.step(by) ?? null);
  }

  stepEnding(by) {
    this.goTo(this.picture?.step(by, true) ?? null);
  }

  stepPhrase(by) {
    const { phrases } = this.facts;
    const here = phrases.findIndex((p) => p.number === this.phrase);
    const next = phrases[Math.min(Math.max(here + by, 0), phrases.length - 1)];
    if (!next) return;
    this.phrase = next.number;
    const select = $("[data-do=span]", this.root);
    if (select) select.value = String(next.number);
    if (select) this.setSpan();
    this.goTo(next.start_s);
    this.follow();
    say(`Phrase ${next.number}`);
  }

  /** "bar 5", or the seconds where there are no bars. */
  place(time) {
    const { bars } = this.facts;
    if (bars.length < 2) return `${time.toFixed(1)} s`;
    const bar = bars.findLastIndex((t) => t <= time + 0.02) + 1;
    return bar < 1 ? "the pickup" : `bar ${Math.min(bar, bars.length - 1)}`;
  }

  show() {
    const { player } = this;
    const words = this.isPreparing
      ? ["Preparing the sound…"]
      : [el("kbd", {}, "P"), player.playing ? "ause" : `lay from ${this.place(player.position)}`];
    $("[data-do=play]", this.root).replaceChildren(...words);
    $("[data-do=exchange]", this.root).disabled = this.facts.versions.length < 2;
    this.picture?.line(player.now());
    this.stage?.show();
    if (this === current) this.tellHeader();
  }

  /** What sounds is named over the page, whatever is in view. */
  tellHeader() {
    const { player } = this;
    const { label, kind } = this.facts.versions.find((v) => v.name === player.chosen);
    const now = $("#sounds-now");
    $("#play-now").textContent = this.isPreparing ? "Preparing…" : player.playing ? "Pause" : "Play";
    now.className = { variant: "v" }[kind] ?? "";
    now.replaceChildren(
      player.playing ? "You hear " : "",
      el("b", {}, label),
      player.playing ? "" : " is chosen",
    );
  }

  frame() {
    const { state } = document.body.dataset;
    if (this.player.playing && state === "open") {
      this.picture?.line(this.player.now());
      this.follow();
    }
    if (this.player.playing && state === "present") this.stage?.show();
    this.meter();
  }

  meter() {
    const now = $(".meter .now", this.root);
    const db = Math.min(Math.max(levelDb(this.player), -50), 0);
    now.setAttribute("transform", `translate(${(14 + (db + 50) * 5.4).toFixed(1)} 0)`);
    now.classList.toggle("off", !this.player.playing);
  }
}

/** What the player loads of each version: the original whole, others whole or as what changes. */
function soundOf(versions, blocks, rateHz) {
  const decoded = (block) => decode(bytesOf(block.textContent), { rateHz });
  const waiting = [...blocks];
  let original = null;
  return versions.map(({ name, spans, gain_db: gainDb }, k) => {
    const own = waiting.splice(0, spans ? spans.length : 1);
    const load = async () => {
      if (k === 0) original = decoded(own[0]);
      if (!spans) return k === 0 ? original : decoded(own[0]);
      const pieces = await Promise.all(own.map(decoded));
      const placed = spans.map((span, i) => ({ ...span, channels: pieces[i] }));
      return splice(await original, 10 ** (gainDb / 20), placed);
    };
    return { version: name, load };
  });
}

function bytesOf(base64) {
  return Uint8Array.from(atob(base64.trim()), (sign) => sign.charCodeAt(0)).buffer;
}

/** The slider of the volume is even to the ear: the gain is its square. */
const decibels = (slider) => 40 * Math.log10(Number(slider.value) / 100);

/** Level of what sounds now before the volume, in dB of full scale. */
function levelDb(player) {
  if (!player.playing) return -Infinity;
  const block = new Float32Array(2048);
  player.analyser.getFloatTimeDomainData(block);
  const power = block.reduce((sum, x) => sum + x * x, 0) / block.length;
  return 10 * Math.log10(power + 1e-12) - player.volumeDb;
}

let current = null;
const songs = $$("article[data-song]").map((root) => new Song(root));
[current] = songs;
current.tellHeader();
$("#play-now").addEventListener("click", () => current.toggle());
const activeSong = (event) => {
  const root = event.target.closest?.("article[data-song]");
  const song = root && songs.find((s) => s.root === root);
  if (!song || song === current) return;
  current = song;
  current.tellHeader();
};
document.addEventListener("focusin", activeSong);
document.addEventListener("click", activeSong, true);

function inTextField(target) {
  return target.matches?.("textarea, select, input[type=text], input[type=number]") ?? false;
}

/** "#blind" at the end of the address opens the test alone, in an order drawn by lot: for phones. */
function testAlone() {
  if (location.hash !== "#blind" || !$("[data-blind=start]")) return;
  const sheets = $("[data-blind=sheet]");
  sheets.selectedIndex = Math.floor(Math.random() * sheets.options.length);
  document.body.dataset.state = "blind";
  document.body.dataset.alone = "";
}

function nextRegion(back) {
  const headings = $$("section h2, section h3").filter(
    (h) => h.getClientRects().length && h.classList.contains("part"),
  );
  const here = headings.findIndex((h) => h.closest("section").contains(document.activeElement));
  const next = headings[(here + (back ? -1 : 1) + headings.length) % headings.length];
  next.tabIndex = -1;
  next.focus();
}

const KEYS = {
  o: () => current.choose(current.facts.versions[0].name),
  v: () => current.chooseKind("variant"),
  m: () => current.chooseKind("matched-control"),
  x: () => current.choose(current.player.before),
  p: () => current.toggle(),
  l: () => $("[data-do=loop]", current.root).click(),
  ",": () => current.stepNote(-1),
  ".": () => current.stepNote(1),
  "[": () => current.stepPhrase(-1),
  "]": () => current.stepPhrase(1),
  e: () => current.stepEnding(1),
  E: () => current.stepEnding(-1),
  s: () => current.stage?.open(),
  b: () => $("[data-blind=start]", current.root)?.focus(),
  "?": () => {
    $("#help").open = true;
    $("#help summary").focus();
  },
};

document.addEventListener("keydown", (event) => {
  if (event.key === "F6") {
    event.preventDefault();
    nextRegion(event.shiftKey);
    return;
  }
  if (event.ctrlKey || event.altKey || event.metaKey || inTextField(event.target) || !$("#letters").checked)
    return;
  if (document.body.dataset.state === "blind") {
    if (current.test?.key(event.key)) event.preventDefault();
    return;
  }
  if (current.stage?.isOpen && current.stage.key(event.key)) {
    event.preventDefault();
    return;
  }
  const act = KEYS[event.key === "E" ? "E" : event.key.toLowerCase()];
  if (!act) return;
  event.preventDefault();
  act();
});

let last = 0;
function frame(time) {
  if (!calm.matches || time - last > 400 || songs.some((s) => s.player.loop)) {
    last = time;
    songs.forEach((song) => song.frame());
  }
  requestAnimationFrame(frame);
}
requestAnimationFrame(frame);
addEventListener("resize", () =>
  songs.forEach((s) => {
    s.picture?.mark();
    s.show();
  }),
);
testAlone();
if (location.hash === "#present") current.stage?.open();
// For notebooks, tests and the curious: the parts of this page by name.
globalThis.comparison = { songs };
