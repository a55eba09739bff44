"""Is the octave right? Evidence from the other troughs of the difference function.

A sound of period T repeats at 2 T no better than at T. If it does (d'(2 T) well below d'(T)),
the true period is probably 2 T; if T / 2 does as well as T, it is probably T / 2. One frame says
little, a held stretch that says so throughout is doubtful.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from retune.carriers.heard import FloatArray
from retune.carriers.units import cents_between

NEAR_CENTS = 60.0
SPLIT_CENTS = 80.0
MULTIPLES = (2.0, 3.0)
# How deep the trough of a longer period must lie beside that found, once that is not 0 itself,
# and how little higher that of a shorter one may lie, to speak against the period found: from
# synthetic and recorded voices, no source.
LONGER_SHARE = 0.4
LEAST_HEIGHT = 0.02
SHORTER_MARGIN = 0.02


def frame_doubt(
    f0_hz: FloatArray, height: FloatArray, hz: NDArray[np.float32], heights: NDArray[np.floating]
) -> FloatArray:
    """1 where another candidate of the frame speaks for another octave, else 0.

    `f0_hz` and `height` (n,) are the answer and its normalised difference, `hz` and `heights`
    (n, m) all candidates (0 Hz = none)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        interval = cents_between(f0_hz[:, None], hz)
    tall = height[:, None]
    deeper = (tall > LEAST_HEIGHT) & (heights < LONGER_SHARE * tall)
    doubt = np.zeros(f0_hz.shape, dtype=bool)
    for multiple in MULTIPLES:
        away = 1200.0 * np.log2(multiple)
        longer = np.abs(interval + away) < NEAR_CENTS
        shorter = np.abs(interval - away) < NEAR_CENTS
        doubt |= (longer & deeper).any(axis=1)
        doubt |= (shorter & (heights < tall + SHORTER_MARGIN)).any(axis=1)
    return doubt.astype(np.float64)


def held_stretches(f0_hz: FloatArray) -> list[tuple[int, int]]:
    """[start, stop) of the stretches that are voiced and never jump by more than 80 cents."""
    voiced = np.isfinite(f0_hz)
    with np.errstate(invalid="ignore"):
        jump = np.abs(np.diff(1200.0 * np.log2(f0_hz))) > SPLIT_CENTS
    joined = voiced[1:] & voiced[:-1] & ~jump
    starts = np.flatnonzero(voiced & ~np.concatenate([[False], joined]))
    stops = np.flatnonzero(voiced & ~np.concatenate([joined, [False]])) + 1
    return list(zip(starts.tolist(), stops.tolist(), strict=True))


def lower_doubtful(f0_hz: FloatArray, voiced_prob: FloatArray, doubt: FloatArray) -> FloatArray:
    """`voiced_prob`, multiplied over each held stretch by the share of frames without doubt
    where that is under a half."""
    out = voiced_prob.copy()
    for start, stop in held_stretches(f0_hz):
        sure = 1.0 - float(doubt[start:stop].mean())
        if sure < 0.5:
            out[start:stop] *= sure
    return out
