"""Compiled: the frequency of a candidate, finer than a sample.

The difference function is computed again around the candidate's lag over a stretch of a few
periods, centred on the frame for every lag, and a polynomial through seven lags gives its
minimum. The short stretch follows vibrato and glides that the long window of the search blurs.
"""

from __future__ import annotations

from math import ceil, cos, floor, pi
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retune.carriers.heard import FloatArray
from retune.sound.compiled import compiled, inlined

SIDE = 3
N_POINTS = 2 * SIDE + 1
# Coefficients (ascending powers) of the polynomial through values at -3 ... 3.
TO_POLYNOMIAL: FloatArray = np.asarray(
    np.linalg.inv(np.vander(np.arange(-SIDE, SIDE + 1, dtype=np.float64), increasing=True)),
    dtype=np.float64,
)


@inlined
def centred_difference(frames: FloatArray, t: int, lag: int, length: float) -> tuple[float, float]:
    """Hann-weighted means of (y(j) - y(j + lag))^2 and of y(j)^2 + y(j + lag)^2 over the pairs
    of frame `t` whose middle lies within `length` / 2 of the centre."""
    centre = (frames.shape[1] - 1 - lag) / 2.0
    first = max(ceil(centre - length / 2), 0)
    last = min(floor(centre + length / 2), frames.shape[1] - 1 - lag)
    turn = 2.0 * pi / length
    # cos(a + turn) from the two before it: no call in the loop.
    here, before = cos(turn * (first - centre)), cos(turn * (first - 1 - centre))
    twice = 2.0 * cos(turn)
    total, power, norm = 0.0, 0.0, 0.0
    for j in range(first, last + 1):
        weight = 1.0 + here
        a, b = frames[t, j], frames[t, j + lag]
        total += weight * (a - b) * (a - b)
        power += weight * (a * a + b * b)
        norm += weight
        here, before = twice * here - before, here
    return total / norm, power / norm


@inlined
def polynomial_minimum(values: FloatArray, matrix: FloatArray, start: float) -> float:
    """Where the polynomial through `values` (at -3 ... 3) has its minimum near `start`."""
    coefficients = np.empty(N_POINTS)
    for p in range(N_POINTS):
        coefficients[p] = 0.0
        for i in range(N_POINTS):
            coefficients[p] += matrix[p, i] * values[i]
    x = start
    for _ in range(4):
        slope, bend = 0.0, 0.0
        for p in range(N_POINTS - 1, 0, -1):
            slope = slope * x + p * coefficients[p]
        for p in range(N_POINTS - 1, 1, -1):
            bend = bend * x + p * (p - 1) * coefficients[p]
        if bend <= 0.0:
            return start
        x -= slope / bend
        if abs(x - start) > 1.0:
            return start
    return x


@inlined
def refined_period(
    frames: FloatArray,
    t: int,
    period: float,
    cycles: float,
    least: float,
    noise_power: float,
    matrix: FloatArray,
) -> tuple[float, float]:
    """Period in samples, refined from `period` (unchanged where there is no clear minimum), and
    the aperiodicity at the frame's centre: 0 for a sound that repeats, about 1 for noise.
    White noise of `noise_power` is taken to lie over everything."""
    lag = round(period)
    if lag <= SIDE or lag + SIDE >= frames.shape[1]:
        return period, 0.0
    length = min(max(cycles * period, least), frames.shape[1] - period - SIDE)
    values = np.empty(N_POINTS)
    middle, level = 0.0, 0.0
    for i in range(N_POINTS):
        values[i], power = centred_difference(frames, t, lag - SIDE + i, length)
        if i == SIDE:
            middle, level = values[i], power
    refined = lag + polynomial_minimum(values, matrix, period - lag)
    noise = 2.0 * noise_power
    return refined, (middle + noise) / (level + noise)


@compiled
def refine_candidates(
    frames: FloatArray,
    rate_hz: float,
    cycles: float,
    least: float,
    share: float,
    noise_power: float,
    matrix: FloatArray,
    bins: NDArray[Any],
    probs: NDArray[Any],
    hz: NDArray[Any],
    local: NDArray[Any],
) -> None:
    """Refine `hz` in place where a candidate has at least `share` of the frame's best, and put
    its aperiodicity at the frame's centre into `local`."""
    for t in range(len(frames)):
        best = probs[t, 0]
        for i in range(1, probs.shape[1]):
            best = probs[t, i] if probs[t, i] > best else best
        for i in range(bins.shape[1]):
            if bins[t, i] < 0:
                break
            if probs[t, i] >= share * best:
                period, local[t, i] = refined_period(
                    frames, t, rate_hz / hz[t, i], cycles, least, noise_power, matrix
                )
                hz[t, i] = rate_hz / period
