"""The Local Boundary Detection Model of Cambouropoulos 2001 ("The Local Boundary Detection Model
(LBDM) and its application in the study of expressive timing", ICMC), in the conventions of the
MIDI Toolbox: epsilon 1e-6 in the denominators, a profile is normalised only if its maximum
exceeds .1, the last degree of change is 0, the first note's strength is 1."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from retune.carriers.heard import FloatArray

WEIGHTS = (0.25, 0.5, 0.25)  # pitch, inter-onset interval, rest
EPSILON = 1e-6


def change_strength(profile: FloatArray) -> FloatArray:
    """s_i = x_i (r_(i-1) + r_i), normalised, for one profile of intervals x, (n,)."""
    x = np.abs(np.asarray(profile, dtype=np.float64))
    change = np.abs(np.diff(x)) / (x[1:] + x[:-1] + EPSILON)
    before = np.concatenate(([0.0], change))
    after = np.concatenate((change, [0.0]))
    strength: FloatArray = x * (before + after)
    top = strength.max(initial=0.0)
    return strength / top if top > 0.1 else strength


def boundary_strength(
    onset: Sequence[float] | FloatArray,
    duration: Sequence[float] | FloatArray,
    pitch: Sequence[float] | FloatArray,
) -> FloatArray:
    """How strongly a boundary is felt before each note.

    Parameters
    ----------
    onset, duration : (n,)
        In beats or seconds.
    pitch : (n,)
        MIDI numbers.

    Returns
    -------
    float64 (n,)
        0 to 1; the first is 1.
    """
    on, length, midi = (np.asarray(v, dtype=np.float64) for v in (onset, duration, pitch))
    if len(on) < 2:
        return np.ones(len(on))
    rest = np.maximum(on[1:] - (on[:-1] + length[:-1]), 0.0)
    profiles = (np.abs(np.diff(midi)), np.diff(on), rest)
    total = sum(w * change_strength(p) for w, p in zip(WEIGHTS, profiles, strict=True))
    return np.concatenate(([1.0], np.asarray(total)))
