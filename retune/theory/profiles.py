"""Key profiles, pinned here because the tables of different libraries differ.

Twelve values from the tonic up by semitones; (major, minor). Where libraries disagree the
printed source is followed: Kostka-Payne minor b2 is .084, Krumhansl major b2 is 2.23.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np

from retune.carriers.heard import FloatArray

Profile = tuple[float, ...]

PROFILES: Mapping[str, tuple[Profile, Profile]] = MappingProxyType(
    {
        # Krumhansl & Kessler 1982: probe-tone ratings. A weak finder of keys of lone melodies,
        # kept as the measure of a degree's stability.
        "krumhansl-kessler": (
            (6.35, 2.23, 3.48, 2.33, 4.38, 4.09, 2.52, 5.19, 2.39, 3.66, 2.29, 2.88),
            (6.33, 2.68, 3.52, 5.38, 2.60, 3.53, 2.54, 4.75, 3.98, 2.69, 3.34, 3.17),
        ),
        # Temperley 1999, What's Key for Key?, Music Perception 17(1).
        "temperley": (
            (5.0, 2.0, 3.5, 2.0, 4.5, 4.0, 2.0, 4.5, 2.0, 3.5, 1.5, 4.0),
            (5.0, 2.0, 3.5, 4.5, 2.0, 4.0, 2.0, 4.5, 3.5, 2.0, 1.5, 4.0),
        ),
        # Temperley 2007, Music and Probability, table 6.1 (counts in Kostka & Payne).
        "kostka-payne": (
            (0.748, 0.060, 0.488, 0.082, 0.670, 0.460, 0.096, 0.715, 0.104, 0.366, 0.057, 0.400),
            (0.712, 0.084, 0.474, 0.618, 0.049, 0.460, 0.105, 0.747, 0.404, 0.067, 0.133, 0.330),
        ),
        # Aarden 2003, dissertation: Essen melodies.
        "aarden": (
            (
                17.7661,
                0.145624,
                14.9265,
                0.160186,
                19.8049,
                11.3587,
                0.291248,
                22.062,
                0.145624,
                8.15494,
                0.232998,
                4.95122,
            ),
            (
                18.2648,
                0.737619,
                14.0499,
                16.8599,
                0.702494,
                14.4362,
                0.702494,
                18.6161,
                4.56621,
                1.93186,
                7.37619,
                1.75623,
            ),
        ),
        # Bellman 2005, after Budge's counts of chords.
        "bellman-budge": (
            (16.80, 0.86, 12.95, 1.41, 13.49, 11.93, 1.25, 20.28, 1.80, 8.04, 0.62, 10.57),
            (18.16, 0.69, 12.99, 13.34, 1.07, 11.15, 1.38, 21.07, 7.49, 1.53, 0.92, 10.21),
        ),
        # Albrecht & Shanahan 2013, Music Perception 31(1).
        "albrecht-shanahan": (
            (0.238, 0.006, 0.111, 0.006, 0.137, 0.094, 0.016, 0.214, 0.009, 0.080, 0.008, 0.081),
            (0.220, 0.006, 0.104, 0.123, 0.019, 0.103, 0.012, 0.214, 0.062, 0.022, 0.061, 0.052),
        ),
        # Sapp's simple weights.
        "sapp": (
            (2.0, 0.0, 1.0, 0.0, 1.0, 1.0, 0.0, 2.0, 0.0, 1.0, 0.0, 1.0),
            (2.0, 0.0, 1.0, 1.0, 0.0, 1.0, 0.0, 2.0, 1.0, 0.0, 0.5, 0.5),
        ),
    }
)


def profile_correlations(histogram: FloatArray, *, profile: str, minor: bool) -> FloatArray:
    """Pearson correlation of a pitch-class histogram (12,) with a profile on each tonic (12,).

    NaN throughout where the histogram is flat: there is nothing to correlate.
    """
    table = np.asarray(PROFILES[profile][1 if minor else 0])
    counts = np.asarray(histogram, dtype=np.float64)
    if np.ptp(counts) <= 1e-12 * max(float(np.abs(counts).max()), 1.0):
        return np.full(12, np.nan)
    rotated = np.stack([np.roll(table, tonic) for tonic in range(12)])
    a = counts - counts.mean()
    b = rotated - rotated.mean(axis=1, keepdims=True)
    result: FloatArray = (b @ a) / (np.linalg.norm(b, axis=1) * np.linalg.norm(a))
    return result
