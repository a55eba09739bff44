// The blind test: one question at a time, each side heard whole, answers hidden until the end.

import { answersCode, answersCsv, resultWords } from "./blind-words.js";
import { $, el, quoted } from "./dom.js";

const GAP_MS = 2000;
const wait = (ms) =>
  new Promise((resolve) => {
    setTimeout(resolve, ms);
  });

/** Asks the trials of a design in `root`.
 *
 * `play(version, passage)` resolves with "heard", "cut" or "silent"; `stop()` ends what sounds.
 * `back` are the words of what it ends with. `who` is "one", "class" (hands are counted) or "abx" (which one is X?). `onend()` comes back to
 * the page. */
export class BlindTest {
  constructor(root, { design, listener, who, play, stop, onend, say, back }) {
    Object.assign(this, { root, design, listener, who, play, stop, onend, say, back });
    this.answers = [];
    this.at = 0;
    this.run = 0;
    this.done = false;
    this.ask();
  }

  get naming() {
    return this.who === "abx";
  }

  get trial() {
    return this.design.trials[this.at];
  }

  get title() {
    return this.trial.kind === "practice"
      ? "Practice"
      : `Trial ${this.at + 1} of ${this.design.trials.length}`;
  }

  ask() {
    this.words = el("p", { role: "status" }, "Press Play when you are ready.");
    this.fault = el("p", { class: "state warn", role: "alert", hidden: true });
    const question = this.naming ? "Which one is X?" : this.design.question;
    const parts = this.naming ? this.namingParts() : this.sideParts();
    this.root.replaceChildren(
      el(
        "div",
        { class: "trial" },
        el("p", {}, el("b", {}, `${this.title}. `), question),
        this.words,
        this.fault,
        ...parts,
      ),
      el("button", { class: "plain", type: "button", onclick: () => this.leave() }, "Leave the test"),
    );
    $("button", this.root).focus();
    this.say(`Listening blind, ${this.title.toLowerCase()}`);
  }

  /** Plays one side; true when it was heard whole. Says what to do where it was not. */
  async hear(version, words) {
    this.run += 1;
    const { run } = this;
    this.fault.hidden = true;
    this.words.textContent = words;
    const how = await this.play(version, this.trial.passage);
    if (run !== this.run) return false;
    if (how === "cut") this.words.textContent = "It was cut short. Play it again.";
    if (how === "silent") this.words.textContent = "Nothing was heard, so nothing is asked yet.";
    return how === "heard";
  }

  /** What the player says of a fault, where the listener looks. */
  told(fault) {
    this.fault.textContent = fault;
    this.fault.hidden = false;
  }

  // One after the other, then the answer.

  sideParts() {
    const both = Boolean(this.trial.second);
    const play = el(
      "button",
      { class: "main", type: "button", onclick: () => this.playSides(play) },
      both ? "Play both" : "Play it",
    );
    this.offered =
      this.who === "class"
        ? this.handParts()
        : this.answerParts(
            both
              ? [
                  ["first", "The first"],
                  ["second", "The second"],
                ]
              : [1, 2, 3, 4, 5, 6, 7].map((number) => [String(number), String(number)]),
          );
    this.offered.hidden = true;
    return [el("div", { class: "set" }, play), this.offered];
  }

  async playSides(button) {
    button.disabled = true;
    const heard = await this.sidesHeard();
    button.disabled = false;
    if (!heard) return button.isConnected && button.focus();
    this.words.textContent = "Now answer.";
    this.offered.hidden = false;
    button.hidden = true;
    return $("button, input", this.offered).focus();
  }

  async sidesHeard() {
    const { first, second } = this.trial;
    if (!(await this.hear(first, second ? "The first sounds." : "It sounds."))) return false;
    if (!second) return true;
    const { run } = this;
    this.words.textContent = "Silence.";
    await wait(GAP_MS);
    return run === this.run && this.hear(second, "The second sounds.");
  }

  answerParts(answers) {
    return el(
      "div",
      { class: "set answers", role: "group", "aria-label": "Your answer" },
      ...answers.map(([value, words]) =>
        el("button", { type: "button", "data-answer": value, onclick: () => this.answer(value) }, words),
      ),
    );
  }

  handParts() {
    const [a, b] = ["first", "second"].map((side) =>
      el("input", { type: "number", min: 0, max: 999, value: 0, "aria-label": `Hands for the ${side}` }),
    );
    const next = () => this.answer(`first:${Number(a.value)} second:${Number(b.value)}`);
    return el(
      "div",
      { class: "set" },
      "first",
      a,
      "second",
      b,
      el("button", { type: "button", onclick: next }, "Next"),
    );
  }

  // A, B and X, each as often as wished; an answer once X and one of the others were heard.

  namingParts() {
    const [a, b] = this.design.versions;
    const heard = new Set();
    const answers = el(
      "div",
      { class: "set answers" },
      ...[
        ["A", a],
        ["B", b],
      ].map(([name, version]) =>
        el(
          "button",
          {
            type: "button",
            disabled: true,
            onclick: () => this.answer(version === this.trial.first ? "right" : "wrong"),
          },
          `X is ${name}`,
        ),
      ),
    );
    const side = ([name, version]) =>
      el(
        "button",
        {
          type: "button",
          onclick: async () => {
            if (!(await this.hear(version, `${name} sounds.`))) return;
            this.words.textContent = `That was ${name}.`;
            heard.add(name);
            if (heard.has("X") && heard.size > 1)
              answers.querySelectorAll("button").forEach((button) => {
                button.disabled = false;
              });
          },
        },
        `Hear ${name}`,
      );
    this.words.textContent = "Hear X, and A or B, as often as you wish.";
    return [
      el(
        "div",
        { class: "set" },
        ...[
          ["A", a],
          ["B", b],
          ["X", this.trial.first],
        ].map(side),
      ),
      answers,
    ];
  }

  /** 1 and 2 are the first and the second, 1 to 7 a rating. Whether the key was one of these. */
  key(key) {
    const number = Number(key);
    if (this.done || !this.offered || this.offered.hidden || !Number.isInteger(number)) return false;
    const button = this.offered.querySelectorAll("[data-answer]")[number - 1];
    button?.click();
    return Boolean(button);
  }

  answer(text) {
    const { trial } = this;
    this.run += 1;
    this.stop();
    const kind = this.who === "class" && trial.kind !== "practice" ? "hands" : trial.kind;
    if (!(this.who === "class" && trial.kind === "practice"))
      this.answers.push({ ...trial, kind, answer: text });
    this.at += 1;
    if (this.at < this.design.trials.length) this.ask();
    else this.results();
  }

  leave() {
    this.run += 1;
    this.stop();
    if (!this.done && this.answers.some((t) => t.kind !== "practice")) this.results();
    else this.onend();
  }

  results() {
    this.done = true;
    const save = el("button", { type: "button", onclick: () => this.save() }, "Keep the answers (CSV)");
    this.root.replaceChildren(
      el("h3", {}, "Results"),
      ...resultWords(this).map((line) => el("p", { class: "result" }, quoted(line))),
      ...this.codeParts(),
      el(
        "div",
        { class: "set" },
        save,
        el(
          "button",
          { class: "main", type: "button", onclick: () => this.onend() },
          this.back ?? "Back to the picture",
        ),
      ),
    );
    save.focus();
    this.say("Listening blind: results");
  }

  /** The code to send to whoever counts. */
  codeParts() {
    const code = answersCode(this);
    if (!code) return [];
    const field = el("input", {
      type: "text",
      readonly: true,
      value: code,
      "aria-label": "Code of the answers",
    });
    const copy = el(
      "button",
      {
        type: "button",
        onclick: async () => {
          field.select();
          const done = await navigator.clipboard?.writeText(code).then(
            () => true,
            () => false,
          );
          copy.textContent = done ? "Copied" : "Copy it by hand";
        },
      },
      "Copy the code",
    );
    return [
      el("p", {}, "To send the answers, copy this code into a message; retune tally reads it."),
      el("div", { class: "set code" }, field, copy),
    ];
  }

  save() {
    const name = this.listener.replace(/[^A-Za-z0-9_-]+/g, "-") || "listener";
    const link = el("a", {
      href: URL.createObjectURL(new Blob([answersCsv(this)], { type: "text/csv" })),
      download: `${name}-sheet-${this.design.sheet}.csv`,
    });
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  }
}
