// What a blind test needs no page for: its design, its answers as a table and a code, its results.

/** As retune writes tables: text that a spreadsheet would take for a formula gets an apostrophe. */
export function csvField(value) {
  const plain =
    typeof value === "string" && /^[=+\-@\t\r\n＝＋－＠]/.test(value) ? `'${value}` : String(value);
  return /[",\n\r]/.test(plain) ? `"${plain.replaceAll('"', '""')}"` : plain;
}

/** The answers as the table that `retune tally` reads. `answers` holds trials with `kind` and `answer`. */
export function answersCsv({ listener, design, answers, naming }) {
  const head = naming ? ["a", "b", "x"] : ["first", "second"];
  const sides = (t) => (naming ? [...design.versions, t.first] : [t.first, t.second]);
  const kind = (t) => (naming && t.kind !== "practice" ? "abx" : t.kind);
  const rows = answers.map((t) => [
    listener,
    design.sheet,
    t.number,
    kind(t),
    t.passage,
    ...sides(t),
    t.answer,
  ]);
  const table = [["listener", "sheet", "trial", "kind", "passage", ...head, "answer"], ...rows];
  return `${table.map((row) => row.map(csvField).join(",")).join("\n")}\n`;
}

const DIGITS = "0123456789abcdefghijklmnopqrstuvwxyz";

/** Two signs that show a code that was mistyped. */
export function checkSigns(text) {
  const total = [...text].reduce((sum, sign, k) => sum + (k + 1) * sign.codePointAt(0), 0) % 1296;
  return DIGITS[Math.floor(total / 36)] + DIGITS[total % 36];
}

/** The answers as one short line, which `retune tally` reads too; "" for what has none (hands, X). */
export function answersCode({ listener, design, answers, naming }) {
  const rated = design.trials.some((t) => t.kind === "rating");
  if (naming || !design.passages?.length || answers.some((t) => t.kind === "hands")) return "";
  const count = (kind) => of(design.trials, kind).length;
  const asked = rated ? count("rating") / 2 : count("pair");
  const part = (text) =>
    encodeURIComponent(text).replace(/[!'()*]/g, (c) => `%${c.charCodeAt(0).toString(16)}`);
  const text = [
    "R1",
    rated ? "r" : "p",
    part(listener),
    design.sheet,
    design.seed,
    [asked, count("identical"), count("practice")].join("."),
    ...design.versions.map(part),
    design.passages.map(part).join(","),
    answers.map((t) => ({ first: "f", second: "s" })[t.answer] ?? t.answer).join(""),
  ].join(";");
  return `${text};${checkSigns(text)}`;
}

/** The design that a teacher chose on a page: `choices` by the number of pairs (made by the program),
 * laid over the passages chosen. */
export function designOf({ tests, choices }, { sheet, nPairs, passages }) {
  const test = tests.find((t) => t.sheet === sheet) ?? tests[0];
  const choice = choices[nPairs];
  if (!choice) return test;
  const [a, b] = test.versions;
  const trials = choice.sheets[test.sheet].map((words, k) => {
    const [kind, place, turned] = words.split(" ");
    const [first, second] = turned === "1" ? [b, a] : [a, b];
    return {
      number: k + 1,
      kind,
      passage: passages[Number(place) % passages.length],
      first,
      second: kind === "identical" ? first : second,
    };
  });
  return { ...test, trials, passages, verdicts: choice.verdicts };
}

const of = (rows, kind) => rows.filter((row) => row.kind === kind);

/** A version of a test in words. */
const called = (version) => version.replace("matched-control", "matched control");

function pairWords(design, rows) {
  const pairs = of(rows, "pair");
  if (!pairs.length) return [];
  const planned = of(design.trials, "pair").length;
  const chosen = pairs.filter((t) => t[t.answer] === design.versions[1]).length;
  if (pairs.length < planned) {
    return [
      `“${called(design.versions[1])}” was chosen in ${chosen} of ${pairs.length} trials; ${planned} were planned. ` +
        "A test that is left early is not judged.",
    ];
  }
  const firsts = pairs.filter((t) => t.answer === "first").length;
  return [design.verdicts.pair[chosen], `The first heard was chosen in ${firsts} of ${pairs.length} trials.`];
}

function namingWords(design, rows) {
  const asked = of(rows, "pair");
  const planned = of(design.trials, "pair").length;
  const right = asked.filter((t) => t.answer === "right").length;
  if (asked.length < planned) {
    return [
      `X was named rightly in ${right} of ${asked.length} trials; ${planned} were planned. ` +
        "A test that is left early is not judged.",
    ];
  }
  return [design.verdicts.naming[right]];
}

function ratingWords(design, rows) {
  return design.versions
    .map((name) => {
      const own = of(rows, "rating")
        .filter((t) => t.first === name)
        .map((t) => Number(t.answer))
        .sort((a, b) => a - b);
      if (!own.length) return null;
      const mean = own.reduce((a, b) => a + b, 0) / own.length;
      const median = (own[Math.floor((own.length - 1) / 2)] + own[Math.ceil((own.length - 1) / 2)]) / 2;
      return `${name}: rated ${mean.toFixed(1)} on average, ${median} in the middle, of ${own.length}.`;
    })
    .filter(Boolean);
}

function handWords(design, rows) {
  const counts = [0, 0];
  for (const t of of(rows, "hands")) {
    const [first, second] = t.answer.match(/\d+/g).map(Number);
    const turned = t.first === design.versions[1];
    counts[0] += turned ? second : first;
    counts[1] += turned ? first : second;
  }
  if (!of(rows, "hands").length) return [];
  return [
    `Hands for ${called(design.versions[0])}: ${counts[0]}, for ${called(design.versions[1])}: ${counts[1]}. ` +
      "Hands influence each other, so no p is given.",
  ];
}

function identicalWords(rows) {
  const same = of(rows, "identical");
  const firsts = same.filter((t) => t.answer === "first").length;
  return same.length ? [`In identical pairs: the first ${firsts} of ${same.length}.`] : [];
}

/** What the answers allow to be said, line by line. The verdicts come with the design. */
export function resultWords({ design, answers, naming }) {
  const told = naming
    ? namingWords(design, answers)
    : [
        ...pairWords(design, answers),
        ...ratingWords(design, answers),
        ...handWords(design, answers),
        ...identicalWords(answers),
      ];
  return told.length ? told : ["No counted answers yet, nothing to say."];
}
