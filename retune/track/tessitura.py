"""Where in its range a melody lies, from a first hearing of it: an octave's slip lies elsewhere.

Most notes of a melody lie within a few semitones of their own middle, so what is heard far from
there is more likely the band's than sung (common practice, no source; the limits are fitted on
tests/bench/practice.py).
"""

from __future__ import annotations

import numpy as np

from retune.carriers.heard import FloatArray, PitchTrack
from retune.carriers.units import hz_to_midi

REACH_S = 10.0  # to each side: a refrain may lie elsewhere than a verse
EVERY_S = 1.0
# What each semitone beyond the free ones costs a frame.
FREE_SEMITONES, PULL = 2.0, 0.02


def middle_midi(track: PitchTrack) -> FloatArray:
    """The pitch (n_frames,) about which a melody lies at each time: the median, each frame
    counted by how likely the melody is there. NaN throughout where nothing is heard."""
    heard = np.flatnonzero(np.isfinite(track.f0_hz) & (track.voiced_prob > 0))
    if not len(heard):
        return np.full(len(track.time_s), np.nan)
    time_s, midi = track.time_s[heard], np.asarray(hz_to_midi(track.f0_hz[heard]))
    places = np.arange(0.0, float(track.time_s[-1]) + EVERY_S, EVERY_S)
    edges = np.searchsorted(time_s, [places - REACH_S, places + REACH_S])
    middles = np.array([
        _weighted_median(midi[a:b], track.voiced_prob[heard[a:b]]) for a, b in edges.T
    ])  # fmt: skip
    known = np.isfinite(middles)
    return np.asarray(np.interp(track.time_s, places[known], middles[known]), dtype=np.float64)


def loss(pitches_hz: FloatArray, middle: FloatArray) -> FloatArray:
    """What each pitch loses in each frame, (n_frames, n_pitches), for its distance from the
    middle (n_frames,)."""
    away = np.abs(np.asarray(hz_to_midi(pitches_hz)) - middle[:, None])
    return PULL * np.maximum(np.nan_to_num(away) - FREE_SEMITONES, 0.0)


def _weighted_median(values: FloatArray, weights: FloatArray) -> float:
    if not len(values):
        return float("nan")
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, total[-1] / 2)])
