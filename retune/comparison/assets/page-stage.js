// The presentation view: one phrase large, what sounds in large letters, and nothing else.

import { $, $$, say } from "./dom.js";
import { Picture } from "./page-picture.js";

const COUNT = /^[1-9]$/;

export class Stage {
  /** `root` is the view of one song, `song` what plays it. */
  constructor(root, song) {
    Object.assign(this, { root, song });
    this.drawings = $$("[data-phrase]", root);
    this.picture = new Picture($(".drawn", root), null);
    $$("[data-stage]", root).forEach((button) =>
      button.addEventListener("click", () => this.choose(Number(button.dataset.stage))),
    );
  }

  get isOpen() {
    return !this.root.hidden;
  }

  open() {
    this.root.hidden = false;
    document.body.dataset.state = "present";
    // A presenter's remote control has no Esc: leaving the full screen leaves the view.
    if (navigator.userActivation?.isActive) document.documentElement.requestFullscreen?.().catch(() => {});
    this.song.openPhrase();
    this.show();
    $("[data-stage]", this.root).focus();
    say("Shown large. Esc goes back.");
  }

  close() {
    this.root.hidden = true;
    document.body.dataset.state = "open";
    delete document.documentElement.dataset.theme;
    if (document.fullscreenElement) document.exitFullscreen();
    this.song.show();
  }

  choose(k) {
    const version = this.song.facts.versions[k];
    if (version) this.song.choose(version.name);
  }

  /** The next or previous version, around. */
  step(by) {
    const { versions } = this.song.facts;
    const here = versions.findIndex((v) => v.name === this.song.player.chosen);
    this.choose((here + by + versions.length) % versions.length);
  }

  /** Whether the key was one of the view's. */
  key(key) {
    const act = {
      Escape: () => this.close(),
      PageDown: () => this.step(1),
      PageUp: () => this.step(-1),
      d: () => this.turn(),
      s: () => this.close(),
    }[key];
    if (act) act();
    else if (COUNT.test(key)) this.choose(Number(key) - 1);
    else return false;
    return true;
  }

  /** Dark or light, whichever is not shown. */
  turn() {
    const root = document.documentElement;
    const system = matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light";
    root.dataset.theme = (root.dataset.theme ?? system) === "dark" ? "light" : "dark";
  }

  show() {
    if (!this.isOpen) return;
    const { song } = this;
    const { label, picture } = song.facts.versions.find((v) => v.name === song.player.chosen);
    const number = String(song.phraseNow());
    const own = (d, wanted) => d.dataset.phrase === number && d.dataset.picture === wanted;
    const shown =
      this.drawings.find((d) => own(d, String(picture ?? ""))) ?? this.drawings.find((d) => own(d, ""));
    this.drawings.forEach((d) => {
      d.hidden = d !== shown;
    });
    $(".sounds", this.root).textContent = label;
    $(".told", this.root).textContent = shown?.dataset.told ?? "";
    $$("[data-stage]", this.root).forEach((button, k) =>
      button.setAttribute("aria-pressed", String(song.facts.versions[k].name === song.player.chosen)),
    );
    this.picture.line(song.player.now());
  }
}
