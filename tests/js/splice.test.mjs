// A version put together from the original and its changed spans.
import assert from "node:assert/strict";
import { test } from "node:test";
import { splice } from "../../retune/comparison/assets/player.js";

const even = (n, value) => new Float32Array(n).fill(value);

test("a span is blended in and out, the rest is the original at its gain", () => {
  const spans = [{ at: 2, rise: [1, 3], fall: [5, 7], channels: [even(8, 1)] }];
  const [out] = splice([even(12, 0)], 0.5, spans);
  assert.deepEqual([...out], [0, 0, 0, 0, 0.5, 1, 1, 1, 0.5, 0, 0, 0]);
  assert.deepEqual([...splice([even(3, 0.5)], 0.5, [])[0]], [0.25, 0.25, 0.25]);
});

test("at the begin and the end nothing is blended, and nothing runs over", () => {
  const spans = [{ at: 0, rise: [0, 0], fall: [5, 5], channels: [even(5, 1), even(5, 2)] }];
  const [left, right] = splice([even(4, 0), even(4, 0)], 1, spans);
  assert.deepEqual([...left], [1, 1, 1, 1]);
  assert.deepEqual([...right], [2, 2, 2, 2]);
});

test("the original stays as it was", () => {
  const original = [even(2, 1)];
  splice(original, 0.5, []);
  assert.deepEqual([...original[0]], [1, 1]);
});
