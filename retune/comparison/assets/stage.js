// The presentation view of comparison page and workbench: one phrase large, what sounds in large
// letters, and nothing else.

import { $, $$, say } from "./dom.js";
import { Picture } from "./page-picture.js";

const COUNT = /^[1-9]$/;

export class Stage {
  /** `root` is the view of one song, `song` what plays it: { versions, chosen, now(), phraseNow(),
   * openPhrase(), choose(name), show() }, each version { name, kind, label, picture }. A drawing
   * below `root` says whose it is: data-phrase, data-picture ("" as sung) and data-told in words. */
  constructor(root, song) {
    Object.assign(this, { root, song });
    this.picture = new Picture($(".drawn", root), null);
    root.addEventListener("click", (event) => {
      const button = event.target.closest("[data-stage]");
      if (button) this.choose(Number(button.dataset.stage));
    });
    // A presenter's remote control has no Esc: leaving the full screen leaves the view.
    document.addEventListener("fullscreenchange", () => {
      if (!document.fullscreenElement && this.isOpen) this.close();
    });
  }

  get isOpen() {
    return !this.root.hidden;
  }

  open() {
    this.root.hidden = false;
    document.body.dataset.state = "present";
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
    const version = this.song.versions[k];
    if (version) this.song.choose(version.name);
  }

  /** The next or previous version, around. */
  step(by) {
    const { versions, chosen } = this.song;
    const here = versions.findIndex((v) => v.name === chosen);
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
    const { label, kind, picture } = song.versions.find((v) => v.name === song.chosen);
    // A matched control sings what was sung: only a variant has a drawing of its own.
    const wanted = kind === "variant" ? String(picture) : "";
    const number = String(song.phraseNow());
    const drawings = $$("[data-phrase]", this.root);
    const own = (d, whose) => d.dataset.phrase === number && d.dataset.picture === whose;
    const shown = drawings.find((d) => own(d, wanted)) ?? drawings.find((d) => own(d, ""));
    drawings.forEach((d) => {
      d.hidden = d !== shown;
    });
    $(".sounds", this.root).textContent = label;
    $(".told", this.root).textContent = shown?.dataset.told ?? "";
    $$("[data-stage]", this.root).forEach((button, k) => {
      const isChosen = song.versions[k]?.name === song.chosen;
      button.setAttribute("aria-pressed", String(isChosen));
      if (isChosen && document.activeElement?.closest(".choices")) button.focus();
    });
    this.picture.line(song.now());
    this.keepInSight();
  }

  /** Moves a drawing that is wider than the screen on, so that what sounds is seen. */
  keepInSight() {
    const place = $(".drawn", this.root);
    const beam = $("[data-phrase]:not([hidden]) .play", place);
    if (!beam || place.scrollWidth <= place.clientWidth) return;
    const x = beam.getBoundingClientRect().left - place.getBoundingClientRect().left;
    if (x > 0.15 * place.clientWidth && x < 0.7 * place.clientWidth) return;
    place.scrollLeft += x - 0.3 * place.clientWidth;
  }
}
