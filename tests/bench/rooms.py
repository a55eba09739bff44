"""Where a sound stands in a mix: between left and right, and in a room."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, fftconvolve, sosfilt

Floats = NDArray[np.float64]
RATE_HZ = 44100


def panned(y: Floats, side: float) -> Floats:
    """`y` (n,) in two channels (n, 2) of equal power, from left (-1) to right (1)."""
    angle = (side + 1) * np.pi / 4
    return y[:, None] * np.array([np.cos(angle), np.sin(angle)])


def in_room(
    y: Floats, rng: np.random.Generator, *, rt60_s: float, wet_db: float, low_hz: float
) -> Floats:
    """`y` (n, 2) with a tail of noise below `low_hz`, `wet_db` re the sound, other in each ear."""
    n, out = int(rt60_s * RATE_HZ), np.empty_like(y)
    low = butter(1, low_hz, fs=RATE_HZ, output="sos")
    for c in range(2):
        tail = rng.standard_normal(n) * np.exp(-6.9 * np.arange(n) / n)
        tail[: int(0.012 * RATE_HZ)] = 0
        tail = np.asarray(sosfilt(low, tail))
        tail *= 10 ** (wet_db / 20) / np.sqrt(np.sum(tail**2))
        tail[0] += 1
        out[:, c] = fftconvolve(y[:, c], tail)[: len(y)]
    return out
