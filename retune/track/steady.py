"""Pitch where the sound repeats badly, from the frames around it.

In a hummed consonant, a fade or a change of vowel the partials shift against each other within a
period or two, and the frequency read there wanders by up to a semitone, though the voice does
not. How badly a frame repeats (its local aperiodicity) tells how far to believe it. The answer
is the track of least bending that passes every frame within what is believed of it: penalised
least squares after Whittaker 1923, "On a new method of graduation", Proc. Edinburgh Math. Soc.
41, with a weight for each frame. A frame that repeats well keeps its frequency.
"""

from __future__ import annotations

import numpy as np

from retune.carriers.heard import FloatArray

# Standard deviation of a frame's pitch, in cents, that repeats perfectly, what is added for each
# unit of local aperiodicity, and that of a frame whose aperiodicity was not measured.
# Measured on sung voices with known pitch.
SURE_CENTS = 1.0
CENTS_PER_APERIODICITY = 300.0
UNMEASURED_CENTS = 30.0
# How hard a voice bends its pitch: a vibrato of 90 cents to each side, 6.2 times a second, is
# 137 000 cents/s^2 at its turning points.
BEND_CENTS_PER_S2 = 150_000.0
# More than this between two frames is a leap of an instrument or a wrong octave, not a glide.
LEAP_CENTS_PER_S = 25_000.0
# Frames solved at once, and how many more on each side are looked at.
PART = 4096
MARGIN = 64


def steadied(f0_hz: FloatArray, local: FloatArray, *, hop_s: float) -> FloatArray:
    """`f0_hz` (n,), NaN where unvoiced, with every doubtful frame drawn to its neighbours.

    `local` (n,) is the aperiodicity at each frame's centre, 0 where it was not measured.
    Voicing is kept, and nothing is drawn across unvoiced frames or a leap.
    """
    answer, bend = f0_hz.copy(), BEND_CENTS_PER_S2 * hop_s**2
    for start, stop in glides(f0_hz, most=LEAP_CENTS_PER_S * hop_s):
        # Long stretches in parts: what lies a margin away no longer matters.
        for first in range(start, stop, PART):
            last = min(first + PART, stop)
            wide = slice(max(first - MARGIN, start), min(last + MARGIN, stop))
            spread = SURE_CENTS + CENTS_PER_APERIODICITY * local[wide]
            spread[local[wide] <= 0.0] = UNMEASURED_CENTS
            cents = least_bending(1200.0 * np.log2(f0_hz[wide]), spread, bend=bend)
            answer[first:last] = 2.0 ** (cents[first - wide.start :][: last - first] / 1200.0)
    return answer


def glides(f0_hz: FloatArray, *, most: float) -> list[tuple[int, int]]:
    """Stretches [start, stop) of three frames or more without a NaN or a step over `most` cents."""
    ratio = f0_hz[1:] / f0_hz[:-1]
    joined = np.concatenate([[False], np.maximum(ratio, 1.0 / ratio) <= 2.0 ** (most / 1200.0)])
    joined = np.append(joined, False)
    edges = np.flatnonzero(np.diff(joined))
    pairs = zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
    return [(start, stop + 1) for start, stop in pairs if stop - start >= 2]


def least_bending(cents: FloatArray, spread: FloatArray, *, bend: float) -> FloatArray:
    """The x (n,) that makes sum ((x - cents) / spread)^2 + sum (x'' / bend)^2 least, x'' the
    second difference."""
    from scipy.linalg import solveh_banded

    n, weight = len(cents), spread**-2.0
    bands = np.zeros((3, n))
    bands[0] = weight
    second = (1.0, -2.0, 1.0)
    for apart in range(3):
        for i in range(3 - apart):
            bands[apart, i : i + n - 2] += second[i] * second[i + apart] / bend**2
    answer: FloatArray = solveh_banded(bands, cents * weight, lower=True)
    return answer
