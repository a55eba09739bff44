"""Compiled: the most probable path through pitch bins and voicing, in bounded memory.

States are the pitch bins twice, voiced and unvoiced. A move reaches at most `reach` bins with
triangular weights, so a step costs reach times bins instead of states squared. The forward pass
keeps every `STRIDE`th frame; the way back computes the frames between again, one span at a time.
Scores, the floor for impossible events and the order of ties are librosa 0.11's.
"""

from __future__ import annotations

from math import inf, log
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retune.carriers.heard import FloatArray
from retune.sound.compiled import compiled, inlined

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


@inlined
def observe(
    value: FloatArray,
    bins: NDArray[Any],
    probs: NDArray[Any],
    t: int,
    voiced_prob: float,
    n_bins: int,
) -> None:
    """Add the log probability of the candidates of frame `t` to `value` (2 * n_bins,)."""
    for j in range(n_bins):
        value[j] += IMPOSSIBLE
    for i in range(bins.shape[1]):
        if bins[t, i] < 0:
            break
        value[bins[t, i]] += log(float(probs[t, i])) - IMPOSSIBLE
    silent = (1.0 - voiced_prob) / n_bins
    unvoiced = log(silent) if silent > 0.0 else IMPOSSIBLE
    for j in range(n_bins, 2 * n_bins):
        value[j] += unvoiced


@inlined
def spread(
    value: FloatArray,
    first: int,
    kernel: FloatArray,
    row: FloatArray,
    padded: FloatArray,
    out: FloatArray,
) -> None:
    """out[j] = max over k of value[first + k] - row[k] + kernel[j - k]; `padded` is
    (n_bins + 2 * reach,), -inf at both ends."""
    n, reach = len(out), len(kernel) // 2
    for j in range(n):
        padded[reach + j] = value[first + j] - row[j]
        out[j] = -inf
    for k in range(len(kernel)):
        weight = kernel[k]
        for j in range(n):
            here = padded[j + k] + weight
            out[j] = here if here > out[j] else out[j]


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
    voiced, unvoiced = np.empty(n), np.empty(n)
    padded = np.empty(n + len(kernel) - 1)
    for j in range(len(padded)):
        padded[j] = -inf
    kept = 0
    for t in range(len(bins)):
        if first + t == 0:
            for j in range(n_states):
                value[j] = -log(float(n_states))
        else:
            best = value[0]
            for j in range(n_states):
                best = value[j] if value[j] > best else best
            best += IMPOSSIBLE
            spread(value, 0, kernel, row, padded, voiced)
            spread(value, n, kernel, row, padded, unvoiced)
            for j in range(n):
                a, b = voiced[j] + stay, unvoiced[j] + switch
                c, d = voiced[j] + switch, unvoiced[j] + stay
                a, c = a if a > b else b, c if c > d else d
                value[j] = a if a > best else best
                value[n + j] = c if c > best else best
        observe(value, bins, probs, t, voiced_prob[t], n)
        if (first + t) % every == 0:
            for j in range(n_states):
                trail[kept, j] = value[j]
            kept += 1


@inlined
def came_from(
    trail: FloatArray,
    t: int,
    state: int,
    kernel: FloatArray,
    row: FloatArray,
    stay: float,
    switch: float,
) -> int:
    """The state of frame `t` from which `state` is best reached after it; the first of equals."""
    n, reach = trail.shape[1] // 2, len(kernel) // 2
    here = state % n
    found, best = 0, -inf
    for side in range(2):
        turn = stay if (side == 0) == (state < n) else switch
        for k in range(max(here - reach, 0), min(here + reach + 1, n)):
            score = trail[t, side * n + k] - row[k] + kernel[here - k + reach] + turn
            if score > best:
                found, best = side * n + k, score
    top = 0
    for k in range(1, 2 * n):
        top = k if trail[t, k] > trail[t, top] else top
    return top if trail[t, top] + IMPOSSIBLE > best else found


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
        state = came_from(trail, t, state, kernel, row, stay, switch)
        states[t] = state
