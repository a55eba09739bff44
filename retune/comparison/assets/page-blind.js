// The blind test: one question at a time, each version once, answers hidden until the end.

const GAP_MS = 2000;

/** Two-sided exact binomial p of `k` of `n` at one half. */
function signTest(k, n) {
  const logs = [0];
  for (let i = 1; i <= n; i += 1) logs.push(logs[i - 1] + Math.log(i));
  const mass = (i) => Math.exp(logs[n] - logs[i] - logs[n - i] - n * Math.LN2);
  const few = Math.min(k, n - k);
  let p = 0;
  for (let i = 0; i <= few; i += 1) p += mass(i);
  return Math.min(1, 2 * p);
}

/** Wilson's 95 % interval of a share. */
function wilson(k, n) {
  const z = 1.959963984540054;
  const middle = (k + z * z / 2) / (n + z * z);
  const half = z * Math.sqrt(k * (n - k) / n + z * z / 4) / (n + z * z);
  return [middle - half, middle + half];
}

/** As retune writes tables: text that a spreadsheet would take for a formula gets an apostrophe. */
function csvField(value) {
  const plain = typeof value === "string" && /^[=+\-@\t\r\n＝＋－＠]/.test(value) ? `'${value}` : String(value);
  return /[",\n\r]/.test(plain) ? `"${plain.replaceAll('"', '""')}"` : plain;
}

class Blind {
  constructor(root, player, say) {
    this.root = root;
    this.player = player;
    this.say = say;
    this.answers = [];
    this.design = null;
    this.run = 0;
    this.$ = (name) => root.querySelector(`[data-blind=${name}]`);
    this.$("start").addEventListener("click", () => this.start());
    this.$("hear").addEventListener("click", () => this.hear());
    this.$("leave").addEventListener("click", () => this.leave());
    this.$("save").addEventListener("click", () => this.save());
    root.querySelectorAll("[data-answer]").forEach((b) => b.addEventListener("click", () => this.answer(b.dataset.answer)));
  }

  get active() { return document.body.dataset.state === "blind" && this.design !== null; }

  start() {
    const sheet = Number(this.$("sheet").value);
    this.design = this.player.facts.blind.find((d) => d.sheet === sheet);
    this.answers = [];
    this.player.matched = true;
    document.body.dataset.state = "blind";
    this.$("ask").hidden = false;
    this.$("setup").hidden = true;
    this.$("result").hidden = true;
    this.show();
    this.$("hear").focus();
  }

  get trial() { return this.design.trials[this.answers.length]; }

  show() {
    const { number, kind, second } = this.trial;
    this.$("hear").textContent = second ? "Hear both" : "Hear it";
    const practice = kind === "practice" ? ", practice: it does not count" : "";
    this.$("number").textContent = `Question ${number} of ${this.design.trials.length}${practice}`;
    this.$("question").textContent = this.design.question;
    this.enable(false);
    this.$("hear").disabled = false;
    this.$("now").textContent = "";
  }

  enable(on) { this.root.querySelectorAll("[data-answer]").forEach((b) => { b.disabled = !on; }); }

  /** Both versions once, with two seconds of silence between. */
  async hear() {
    const trial = this.trial;
    const run = (this.run += 1);
    const span = this.player.facts.passages[trial.passage];
    this.$("hear").disabled = true;
    const names = this.player.facts.versions.map((v) => v.name);
    for (const [place, name] of [["first", trial.first], ["second", trial.second]]) {
      if (!name) continue;
      if (place === "second") {
        this.$("now").textContent = "Silence";
        await new Promise((done) => { setTimeout(done, GAP_MS); });
      }
      if (run !== this.run) return;
      this.$("now").textContent = trial.second ? `The ${place} sounds` : "It sounds";
      this.player.choose(names.indexOf(name));
      this.player.at = span[0];
      await this.player.play(span[1]);
      await new Promise((done) => { this.ended = done; });
      if (run !== this.run) return;
    }
    this.$("now").textContent = "Your answer?";
    this.enable(true);
    this.root.querySelector("[data-answer]").focus();
  }

  playEnded() { this.ended?.(); }

  answer(choice) {
    const b = [...this.root.querySelectorAll("[data-answer]")].find((e) => e.dataset.answer === choice);
    if (!this.active || !b || b.disabled) return;
    this.answers.push(choice);
    if (this.answers.length === this.design.trials.length) this.finish();
    else {
      this.show();
      this.$("hear").focus();
    }
  }

  stop() {
    this.run += 1;
    this.player.stop();
    document.body.dataset.state = "open";
    this.$("ask").hidden = true;
    this.$("setup").hidden = false;
  }

  leave() {
    this.stop();
    this.design = null;
    this.$("start").focus();
  }

  finish() {
    this.stop();
    this.$("result").hidden = false;
    this.$("words").textContent = this.verdict();
    this.say(this.verdict());
    this.$("save").focus();
  }

  /** Mean ratings, shown and not tested. */
  means(rows) {
    const words = this.design.versions.map((name) => {
      const own = rows.filter((r) => r.kind === "rating" && r.first === name).map((r) => Number(r.answer));
      return `“${name}” ${(own.reduce((a, b) => a + b, 0) / own.length).toFixed(1)} (${own.length} times)`;
    });
    return `Mean rating, 1 to 7: ${words.join(", ")}. One listener, this song only; no test was made.`;
  }

  verdict() {
    const rows = this.rows();
    const [one, other] = this.design.versions;
    const pairs = rows.filter((r) => r.kind === "pair");
    if (!pairs.length) return this.means(rows);
    const k = pairs.filter((r) => r[r.answer] === other).length;
    const n = pairs.length;
    const p = signTest(k, n);
    const [low, high] = wilson(k, n).map((x) => Math.round(100 * x));
    const same = rows.filter((r) => r.kind === "identical");
    const firsts = same.filter((r) => r.answer === "first").length;
    const check = same.length ? ` In ${same.length} pairs of one version with itself you chose the first ${firsts} times.` : "";
    const reading = p < 0.05
      ? "That is more one-sided than chance alone would often give"
      : "That can well be chance, which does not show that there is no difference";
    return `You chose “${other}” in ${k} of ${n} trials, “${one}” in ${n - k} (two-sided exact p = ${p.toFixed(3)}; 95 % interval of the share ${low} to ${high} %). ${reading}.${check} One listener, this song only.`;
  }

  rows() {
    const listener = this.$("listener").value.trim() || "listener";
    return this.design.trials.map((t, i) => ({ listener, sheet: this.design.sheet, trial: t.number, kind: t.kind, passage: t.passage, first: t.first, second: t.second, answer: this.answers[i] }));
  }

  csv() {
    const columns = ["listener", "sheet", "trial", "kind", "passage", "first", "second", "answer"];
    const lines = this.rows().map((row) => columns.map((c) => csvField(row[c])).join(","));
    return `${[columns.join(","), ...lines].join("\n")}\n`;
  }

  save() {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([this.csv()], { type: "text/csv" }));
    link.download = `responses-sheet-${this.design.sheet}.csv`;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  }
}
