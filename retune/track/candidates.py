"""Compiled: from difference functions to pitch candidates with probabilities.

The distribution over thresholds is that of Mauch & Dixon 2014; the order of operations is
librosa 0.11's, so that both give the same candidates.
"""

from __future__ import annotations

from math import exp, log2
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retune.carriers.heard import FloatArray
from retune.sound.compiled import compiled, inlined

MAX_CANDIDATES = 8


@compiled
def normalise(difference: FloatArray, min_period: int, out: FloatArray) -> None:
    """Cumulative mean normalised difference of lags `min_period` ... into `out`."""
    n_lags = difference.shape[1]
    for t in range(difference.shape[0]):
        total = 0.0
        for lag in range(1, n_lags):
            total += difference[t, lag]
            if lag >= min_period:
                out[t, lag - min_period] = difference[t, lag] / (
                    total / lag + 2.2250738585072014e-308
                )


@inlined
def parabolic_shift(before: float, here: float, after: float) -> float:
    """Where between -1 and 1 a parabola through three points has its extreme (else 0)."""
    bend = before + after - 2.0 * here
    slope = (after - before) / 2.0
    if abs(slope) >= abs(bend):
        return 0.0
    return -slope / bend


@inlined
def find_troughs(rows: FloatArray, t: int, lags: NDArray[Any], depths: FloatArray) -> int:
    """Indices of the local minima of row `t` into `lags`, their values into `depths`; returns
    how many."""
    n = rows.shape[1]
    count = 0
    for i in range(n):
        here = rows[t, i]
        left = i == 0 or here < rows[t, i - 1]
        right = i == n - 1 or here < rows[t, i + 1] or (i > 0 and here == rows[t, i + 1])
        if left and right:
            lags[count], depths[count] = i, here
            count += 1
    return count


@inlined
def trough_probs(
    heights: FloatArray,
    count: int,
    beta_probs: FloatArray,
    boltzmann: float,
    no_trough_prob: float,
    probs: FloatArray,
) -> None:
    """Probability of each of `count` troughs, summed over the thresholds, into `probs`."""
    n_thresholds = len(beta_probs)
    decay = exp(-boltzmann)
    lowest = 0
    for i in range(count):
        probs[i] = 0.0
        if heights[i] < heights[lowest]:
            lowest = i
    missed = 0.0
    for n in range(n_thresholds):
        threshold = (n + 1) / n_thresholds
        below = 0
        for i in range(count):
            if heights[i] < threshold:
                below += 1
        if below == 0:
            missed += beta_probs[n]
            continue
        share = beta_probs[n] * (1.0 - decay) / (1.0 - exp(-boltzmann * below))
        for i in range(count):
            if heights[i] < threshold:
                probs[i] += share
                share *= decay
    probs[lowest] += no_trough_prob * missed


@inlined
def weakest(probs: NDArray[Any], t: int) -> int:
    """Index of the smallest of row `t` of `probs`."""
    found = 0
    for i in range(1, probs.shape[1]):
        if probs[t, i] < probs[t, found]:
            found = i
    return found


@inlined
def place_for(
    bins: NDArray[Any], probs: NDArray[Any], t: int, count: int, b: int, prob: float
) -> int:
    """Where a candidate of bin `b` goes in row `t`: a later one in the same bin replaces the
    earlier, and when all places are taken the least probable gives way (-1 if that is the new
    one)."""
    for i in range(count):
        if bins[t, i] == b:
            return i
    if count < bins.shape[1]:
        return count
    slot = weakest(probs, t)
    return -1 if probs[t, slot] >= prob else slot


@compiled
def find_candidates(
    normalised: FloatArray,
    min_period: int,
    rate_hz: float,
    fmin_hz: float,
    n_bins: int,
    bins_per_octave: int,
    beta_probs: FloatArray,
    boltzmann: float,
    no_trough_prob: float,
    bins: NDArray[Any],
    probs: NDArray[Any],
    hz: NDArray[Any],
    heights: NDArray[Any],
    voiced_prob: FloatArray,
) -> None:
    """Candidates of each frame: `bins` int16 (-1 = none), `probs`, `hz` and `heights`
    (of the trough) float32, all (n, MAX_CANDIDATES); `voiced_prob` (n,) the sum of `probs`."""
    n_lags = normalised.shape[1]
    lags = np.empty(n_lags, np.int64)
    depths = np.empty(n_lags)
    found = np.empty(n_lags)
    for t in range(normalised.shape[0]):
        for i in range(bins.shape[1]):
            bins[t, i] = -1
        n_troughs = find_troughs(normalised, t, lags, depths)
        if n_troughs > 0:
            trough_probs(depths, n_troughs, beta_probs, boltzmann, no_trough_prob, found)
        count = 0
        for i in range(n_troughs):
            if found[i] <= 0.0:
                continue
            lag = lags[i]
            period = float(min_period + lag)
            if 0 < lag < n_lags - 1:
                period += parabolic_shift(
                    normalised[t, lag - 1], normalised[t, lag], normalised[t, lag + 1]
                )
            f = rate_hz / period
            b = min(max(round(bins_per_octave * log2(f / fmin_hz)), 0), n_bins)
            slot = place_for(bins, probs, t, count, b, found[i]) if b < n_bins else -1
            if slot >= 0:
                bins[t, slot], probs[t, slot] = b, found[i]
                hz[t, slot], heights[t, slot] = f, depths[i]
                count = max(count, slot + 1)
        total = 0.0
        for i in range(count):
            total += probs[t, i]
        voiced_prob[t] = min(max(total, 0.0), 1.0)
