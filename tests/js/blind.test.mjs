// The parts of the blind test that need no page.
import assert from "node:assert/strict";
import { test } from "node:test";
import {
  answersCode,
  answersCsv,
  csvField,
  designOf,
  resultWords,
} from "../../retune/comparison/assets/blind-words.js";

const versions = ["matched-control", "home"];
const trial = (number, kind, first, second) => ({ number, kind, passage: "phrase 2", first, second });
const design = {
  sheet: 3,
  versions,
  verdicts: { pair: ["none", "one", "two"], naming: ["none named", "one named", "two named"] },
  trials: [
    trial(1, "practice", ...versions),
    trial(2, "pair", ...versions),
    trial(3, "pair", "home", "matched-control"),
    trial(4, "identical", "home", "home"),
  ],
};
const answered = (...given) => given.map((answer, k) => ({ ...design.trials[k], answer }));

test("a field that a spreadsheet would run gets an apostrophe, quotes are doubled", () => {
  assert.equal(csvField("=1+1"), "'=1+1");
  assert.equal(csvField('Ana "A", row 2'), '"Ana ""A"", row 2"');
  assert.equal(csvField(-3), "-3");
});

test("the verdict is the one that came with the design for this count", () => {
  const words = resultWords({
    design,
    answers: answered("first", "second", "first", "second"),
    naming: false,
  });
  assert.deepEqual(words.slice(0, 2), ["two", "The first heard was chosen in 1 of 2 trials."]);
  assert.match(words[2], /the first 0 of 1/);
});

test("a test that is left early is counted and not judged", () => {
  const [words] = resultWords({ design, answers: answered("first", "second"), naming: false });
  assert.match(words, /“home” was chosen in 1 of 1 trials; 2 were planned/);
});

test("nothing answered, nothing said", () => {
  assert.match(resultWords({ design, answers: [], naming: false })[0], /nothing to say/);
});

test("ratings have a mean and a median", () => {
  const rate = (first, answer) => ({ ...trial(1, "rating", first, ""), answer });
  const words = resultWords({ design, answers: [rate("home", "2"), rate("home", "7"), rate("home", "3")] });
  assert.deepEqual(words, ["home: rated 4.0 on average, 3 in the middle, of 3."]);
});

test("hands are added up for the version, in whichever order it was heard", () => {
  const hands = (first, answer) => ({ ...trial(1, "hands", first, ""), answer });
  const answers = [hands("matched-control", "first:3 second:9"), hands("home", "first:8 second:2")];
  assert.match(resultWords({ design, answers })[0], /matched control: 5, for home: 17/);
});

test("the table is the one that tally reads", () => {
  const answers = answered("first", "second");
  assert.equal(
    answersCsv({ listener: "Ana", design, answers, naming: false }),
    "listener,sheet,trial,kind,passage,first,second,answer\n" +
      "Ana,3,1,practice,phrase 2,matched-control,home,first\n" +
      "Ana,3,2,pair,phrase 2,matched-control,home,second\n",
  );
  const named = answersCsv({ listener: "Ana", design, answers, naming: true }).split("\n");
  assert.equal(named[0], "listener,sheet,trial,kind,passage,a,b,x,answer");
  assert.equal(named[2], "Ana,3,2,abx,phrase 2,matched-control,home,matched-control,second");
});

test("the answers go into one short line with two signs of check", () => {
  const sent = { ...design, seed: 1, passages: ["phrase 2"] };
  const code = answersCode({ listener: "Ana; row 2", design: sent, answers: answered("first", "second") });
  assert.equal(code, "R1;p;Ana%3B%20row%202;3;1;2.1.1;matched-control;home;phrase%202;fs;fk");
  const hands = [{ ...design.trials[1], kind: "hands", answer: "first:1 second:2" }];
  assert.equal(answersCode({ listener: "a", design: sent, answers: hands }), "");
});

test("the trials of a choice are laid over the passages chosen", () => {
  const choices = { 2: { sheets: { 3: ["practice 1 0", "pair 0 1", "identical 2 1"] }, verdicts: "v" } };
  const made = designOf({ tests: [design], choices }, { sheet: 3, nPairs: 2, passages: ["p 2", "p 4"] });
  assert.deepEqual(
    made.trials.map((t) => [t.kind, t.passage, t.first, t.second]),
    [
      ["practice", "p 4", "matched-control", "home"],
      ["pair", "p 2", "home", "matched-control"],
      ["identical", "p 2", "home", "home"],
    ],
  );
  assert.equal(made.verdicts, "v");
});
