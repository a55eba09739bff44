"""Compiled: the most probable path through pitch bins and voicing, in bounded memory.

States are the pitch bins twice, voiced and unvoiced. A move reaches at most `reach` bins with
triangular weights, so a step costs reach times bins instead of states squared. The forward pass
keeps every `STRIDE`th frame; the way back computes the frames between again, one span at a time.
Scores, the floor for impossible events and the order of ties are librosa 0.11's.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from retune.carriers.heard import FloatArray
from retune.sound.compiled import compiled

STRIDE = 256
IMPOSSIBLE = float(np.log(np.finfo(np.float64).tiny))


class Transitions:
    """Log weights of a move: `kernel` by distance, `row` the norm of the bin it leaves, `stay`
    and `switch` for the voicing."""

    def __init__(self, *, n_bins: int, reach: int, switch_prob: float) -> None:
        distance = np.arange(-reach, reach + 1)
        weights = 1.0 - np.abs(distance) / (reach + 1.0)
        inside = np.convolve(np.ones(n_bins), weights)[reach : reach + n_bins]
        self.reach = reach
        self.kernel: FloatArray = np.log(weights)
        self.row: FloatArray = np.log(inside)
        self.stay = float(np.log(1.0 - switch_prob))
        self.switch = float(np.log(switch_prob))


@compiled
def observe(
    value: FloatArray, bins: NDArray[Any], probs: NDArray[Any], voiced_prob: float, n_bins: int
) -> None:
    """Add the log probability of one frame's candidates to `value` (2 * n_bins,)."""
    for j in range(n_bins):
        value[j] += IMPOSSIBLE
    for i in range(len(bins)):
        if bins[i] < 0:
            break
        value[bins[i]] += np.log(float(probs[i])) - IMPOSSIBLE
    silent = (1.0 - voiced_prob) / n_bins
    unvoiced = np.log(silent) if silent > 0.0 else IMPOSSIBLE
    for j in range(n_bins, 2 * n_bins):
        value[j] += unvoiced


@compiled
def spread(
    value: FloatArray, kernel: FloatArray, row: FloatArray, padded: FloatArray, out: FloatArray
) -> None:
    """out[j] = max over k of value[k] - row[k] + kernel[j - k]."""
    n, reach = len(out), len(kernel) // 2
    for j in range(n):
        padded[reach + j] = value[j] - row[j]
        out[j] = -np.inf
    for k in range(len(kernel)):
        weight = kernel[k]
        for j in range(n):
            here = padded[j + k] + weight
            out[j] = here if here > out[j] else out[j]


@compiled
def step(
    before: FloatArray,
    after: FloatArray,
    kernel: FloatArray,
    row: FloatArray,
    stay: float,
    switch: float,
    work: FloatArray,
) -> None:
    """One frame on: the best score of reaching each state, observation not yet added.

    `work` is (3, n_bins + 2 * reach), -inf where nothing was written."""
    n = len(before) // 2
    best = before.max() + IMPOSSIBLE
    voiced, unvoiced = work[1, :n], work[2, :n]
    spread(before[:n], kernel, row, work[0], voiced)
    spread(before[n:], kernel, row, work[0], unvoiced)
    for j in range(n):
        after[j] = max(max(voiced[j] + stay, unvoiced[j] + switch), best)
        after[n + j] = max(max(voiced[j] + switch, unvoiced[j] + stay), best)


@compiled
def forward(
    value: FloatArray,
    first: int,
    bins: NDArray[Any],
    probs: NDArray[Any],
    voiced_prob: FloatArray,
    kernel: FloatArray,
    row: FloatArray,
    stay: float,
    switch: float,
    trail: FloatArray,
    every: int,
) -> None:
    """Advance `value` (the scores after frame `first` - 1) over the given frames.

    The scores after each frame whose number is a multiple of `every` go to the next row of
    `trail`. Before frame 0 all states are equally likely."""
    n_states = len(value)
    n = n_states // 2
    work = np.full((3, n + len(kernel) - 1), -np.inf)
    after = np.empty(n_states)
    kept = 0
    for t in range(len(bins)):
        if first + t == 0:
            after[:] = -np.log(float(n_states))
        else:
            step(value, after, kernel, row, stay, switch, work)
        observe(after, bins[t], probs[t], voiced_prob[t], n)
        value[:] = after
        if (first + t) % every == 0:
            trail[kept] = value
            kept += 1


@compiled
def came_from(
    before: FloatArray, state: int, kernel: FloatArray, row: FloatArray, stay: float, switch: float
) -> int:
    """The state of the frame before from which `state` is best reached; the first of equals."""
    n, reach = len(before) // 2, len(kernel) // 2
    here = state % n
    found, best = 0, -np.inf
    for side in range(2):
        turn = stay if (side == 0) == (state < n) else switch
        for k in range(max(here - reach, 0), min(here + reach + 1, n)):
            score = before[side * n + k] - row[k] + kernel[here - k + reach] + turn
            if score > best:
                found, best = side * n + k, score
    top = int(np.argmax(before))
    return top if before[top] + IMPOSSIBLE > best else found


@compiled
def trace_back(
    trail: FloatArray,
    state: int,
    kernel: FloatArray,
    row: FloatArray,
    stay: float,
    switch: float,
    states: NDArray[Any],
) -> None:
    """Fill `states` (n,) for the n frames whose scores `trail` holds, `state` coming after."""
    for t in range(len(states) - 1, -1, -1):
        state = came_from(trail[t], state, kernel, row, stay, switch)
        states[t] = state
