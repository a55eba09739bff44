// Ties player, picture, blind test and keys of each song on the page together.

const $ = (query, root = document) => root.querySelector(query);
const $$ = (query, root = document) => [...root.querySelectorAll(query)];
const say = (text) => { $("#said").textContent = text; };
const calm = matchMedia("(prefers-reduced-motion: reduce)");

class Song {
  constructor(root) {
    const number = root.dataset.song;
    this.root = root;
    this.facts = JSON.parse($(`#facts-${number}`).textContent);
    this.player = new Player(this.facts, $$(`script[data-sound="${number}"]`));
    this.player.onfault = (text) => {
      const told = document.createElement("p");
      told.className = "state fault";
      told.textContent = text;
      $(".fault", this.root)?.remove();
      $("[data-do=play]", this.root).closest(".set").after(told);
      say(text);
    };
    this.pictures = $$(".pic", root).map((pic) => new Picture(pic, $(".here", root)));
    this.blind = $("[data-blind=start]", root) ? new Blind($(".blind", root), this.player, say) : null;
    this.phrase = this.facts.phrases[0]?.number ?? 0;
    this.listen();
    this.show();
  }

  get picture() { return this.pictures.find((p) => !p.root.closest("figure").hidden) ?? this.pictures[0]; }

  listen() {
    const on = (query, event, act) => $$(query, this.root).forEach((e) => e.addEventListener(event, () => act(e)));
    on("input[name^=sounds]", "change", (e) => this.choose(Number(e.value)));
    on("[data-do=play]", "click", () => this.toggle());
    on("[data-do=exchange]", "click", () => this.choose(this.player.before));
    on("[data-do=loop]", "change", () => this.setLoop());
    on("[data-do=span]", "change", () => this.setSpan());
    on("[data-do=bar]", "change", () => this.setLoop());
    on("[data-do=match]", "change", (e) => this.setMatched(e.checked));
    on("[data-do=volume]", "input", (e) => this.setVolume(Number(e.value)));
    on("[data-do=before]", "click", () => this.stepNote(-1));
    on("[data-do=after]", "click", () => this.stepNote(1));
    $$(".pic", this.root).forEach((pic) => pic.addEventListener("click", (event) => {
      const group = event.target.closest(".note");
      if (group) this.goTo(this.picture.choose(group));
    }));
  }

  async toggle() {
    const { player } = this;
    if (player.playing) player.stop();
    else {
      songs.forEach((s) => { if (s !== this) s.player.stop(); });
      await player.play();
    }
    this.show();
  }

  choose(k) {
    this.player.choose(k);
    const box = $(`input[name^=sounds][value="${k}"]`, this.root);
    box.checked = true;
    const picture = this.facts.versions[k].picture;
    if (picture !== null) $$("figure[data-picture]", this.root).forEach((f) => { f.hidden = Number(f.dataset.picture) !== picture; });
    say(`${this.facts.versions[k].label} sounds`);
    this.picture?.mark();
    this.show();
  }

  /** V goes to the first variant, and from a variant to the next. */
  chooseKind(kind) {
    const places = this.facts.versions.map((v, k) => (v.kind === kind ? k : -1)).filter((k) => k >= 0);
    if (!places.length) return;
    const next = places[(places.indexOf(this.player.chosen) + 1) % places.length];
    this.choose(next);
  }

  setVolume(percent) { this.player.setVolume((percent / 100) ** 2); }

  async setMatched(on) {
    this.player.matched = on;
    if (this.player.playing) await this.player.seek(this.player.position());
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

  async setLoop() {
    const span = this.span();
    const on = $("[data-do=loop]", this.root).checked && span[1] - span[0] > 0.1;
    const { player } = this;
    player.loop = on ? span : null;
    if (on && (player.position() < span[0] || player.position() >= span[1])) await player.seek(span[0]);
    else if (player.playing) await player.seek(player.position());
    this.show();
  }

  goTo(time) {
    if (time === null) return;
    if (this.player.loop && (time < this.player.loop[0] || time >= this.player.loop[1])) {
      $("[data-do=loop]", this.root).checked = false;
      this.player.loop = null;
    }
    this.player.seek(time).then(() => this.show());
  }

  stepNote(by) { this.goTo(this.picture?.step(by) ?? null); }

  stepEnding(by) { this.goTo(this.picture?.step(by, true) ?? null); }

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
    const button = $("[data-do=play]", this.root);
    const mark = button.querySelector("span");
    mark.textContent = this.player.playing ? "ause" : `lay from ${this.place(this.player.at)}`;
    $("[data-do=exchange]", this.root).disabled = this.facts.versions.length < 2;
    this.picture?.line(this.player.position());
  }

  frame() {
    const ended = this.player.tick();
    if (ended) {
      this.blind?.playEnded();
      this.show();
    }
    if (this.player.playing && document.body.dataset.state === "open") this.picture?.line(this.player.position());
    this.meter();
  }

  meter() {
    const now = $(".meter .now", this.root);
    const db = Math.min(Math.max(this.player.level(), -50), 0);
    now.setAttribute("transform", `translate(${(14 + (db + 50) * 5.4).toFixed(1)} 0)`);
    now.classList.toggle("off", !this.player.playing);
  }
}

const songs = $$("article[data-song]").map((root) => new Song(root));
let current = songs[0];
const activeSong = (event) => {
  const root = event.target.closest?.("article[data-song]");
  if (root) current = songs.find((s) => s.root === root);
};
document.addEventListener("focusin", activeSong);
document.addEventListener("click", activeSong, true);

function inTextField(target) {
  return target.matches?.("textarea, select, input[type=text], input[type=number]") ?? false;
}

function nextRegion(back) {
  const headings = $$("section h2, section h3").filter((h) => h.getClientRects().length && h.classList.contains("part"));
  const here = headings.findIndex((h) => h.closest("section").contains(document.activeElement));
  const next = headings[(here + (back ? -1 : 1) + headings.length) % headings.length];
  next.tabIndex = -1;
  next.focus();
}

const KEYS = {
  o: () => current.choose(0),
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
  b: () => $("[data-blind=start]", current.root)?.focus(),
  "?": () => { $("#help").open = true; $("#help summary").focus(); },
};

document.addEventListener("keydown", (event) => {
  if (event.key === "F6") {
    event.preventDefault();
    nextRegion(event.shiftKey);
    return;
  }
  if (event.ctrlKey || event.altKey || event.metaKey || inTextField(event.target) || !$("#letters").checked) return;
  if (document.body.dataset.state === "blind") {
    const { blind } = current;
    const answer = blind?.active && blind.trial?.second ? { 1: "first", 2: "second" }[event.key] : event.key;
    if (answer) blind?.answer(answer);
    return;
  }
  const act = KEYS[event.key === "E" ? "E" : event.key.toLowerCase()];
  if (!act) return;
  event.preventDefault();
  act();
});

let last = 0;
function frame(time) {
  if (!calm.matches || time - last > 400 || songs.some((s) => s.player.lap)) {
    last = time;
    songs.forEach((song) => song.frame());
  }
  requestAnimationFrame(frame);
}
requestAnimationFrame(frame);
addEventListener("resize", () => songs.forEach((s) => { s.picture?.mark(); s.show(); }));
// For notebooks, tests and the curious: the parts of this page by name.
globalThis.comparison = { songs, buildVoices, crossfade, signTest, wilson };
