"""How far and where in its turn a vibrato is at each moment.

A voice also wavers slowly, and from turn to turn; where two places are alike in vibrato is
therefore read from the sinusoid that fits a few turns about each place best, and not from the
pitch at the place itself.
"""

from __future__ import annotations

import numpy as np

from retune.carriers.heard import FloatArray

SLOWEST_HZ, FASTEST_HZ, STEP_HZ = 4.0, 8.0, 0.1
"""Vibrato of singers: 5 to 7 a second (Sundberg 1994, "Acoustic and psychoacoustic aspects of vocal
vibrato"), and what is beside it."""
REACH_S = 0.25
RIDGE = 0.02
"""A little of the whole, so that a place with few frames about it is told to sway less."""


def turning(sway: FloatArray, frame_s: float) -> tuple[FloatArray, FloatArray]:
    """The vibrato of a line of pitch without its slow course, and the same a quarter of a turn
    on; both as long as `sway` and in its unit."""
    turn = 2 * np.pi * _rate_hz(sway, frame_s) * frame_s * np.arange(len(sway))
    reach = round(REACH_S / frame_s)
    window = np.hanning(2 * reach + 3)[1:-1]

    def about(values: FloatArray) -> FloatArray:
        return np.asarray(np.convolve(values, window)[reach : reach + len(sway)])

    cos, sin, one = np.cos(turn), np.sin(turn), np.ones(len(sway))
    basis = np.stack([one, cos, sin])
    left = np.array([[about(a * b) for b in basis] for a in basis])
    left += RIDGE * window.sum() * np.diag([0.0, 1.0, 1.0])[:, :, None]
    right = np.array([about(a * sway) for a in basis])
    _, a, b = np.linalg.solve(left.transpose(2, 0, 1), right.T[:, :, None])[:, :, 0].T
    return np.asarray(a * cos + b * sin), np.asarray(b * cos - a * sin)


def _rate_hz(sway: FloatArray, frame_s: float) -> float:
    """The rate that most of the line sways at."""
    rates = np.arange(SLOWEST_HZ, FASTEST_HZ + STEP_HZ / 2, STEP_HZ)
    time_s = np.arange(len(sway)) * frame_s
    tapered = sway * np.hanning(len(sway) + 2)[1:-1]
    waves = np.exp(-2j * np.pi * rates[:, None] * time_s)
    return float(rates[np.argmax(np.abs(waves @ tapered))])
