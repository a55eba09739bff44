"""Where one sound turns into the next, for notes of equal pitch sung on without a break.

There the f0 shows nothing; the dip of the level and the change of the spectrum do.
"""

from __future__ import annotations

import numpy as np

from retune.carriers.heard import FloatArray

WINDOW_S = 0.02
ASIDE_S = 0.015
BANDS_HZ = (0, 300, 600, 900, 1300, 1800, 2500, 3500, 5000, 8000)
RANGE_DB = 50.0
DIP_DB, TURN_DB, MOST = 2.0, 3.0, 4.0


def _band_levels(x: FloatArray, centres: FloatArray, rate_hz: int) -> FloatArray:
    """Level of each band about each centre (samples), dB, (n_centres, n_bands)."""
    size = max(int(WINDOW_S * rate_hz), 16)
    padded = np.pad(x, size)
    first = np.round(centres).astype(np.int64) + size - size // 2
    frames = padded[np.clip(first, 0, len(padded) - size)[:, None] + np.arange(size)]
    power = np.abs(np.fft.rfft(frames * np.hanning(size), axis=1)) ** 2
    edges = np.searchsorted(np.fft.rfftfreq(size, 1 / rate_hz), BANDS_HZ)
    edges = np.unique(np.minimum(edges, power.shape[1] - 1))
    return np.asarray(10 * np.log10(np.add.reduceat(power, edges, axis=1) + 1e-12))


def change_curve(x: FloatArray, *, rate_hz: int, frame_s: float, n_frames: int) -> FloatArray:
    """How much each frame looks like the border of two notes (log odds, 0 and up).

    `x` is mono; the frames lie `frame_s` apart from the first sample on.
    """
    centres = np.arange(n_frames, dtype=np.float64) * frame_s * rate_hz
    levels = _band_levels(x, centres, rate_hz)
    levels = np.maximum(levels, levels.max() - RANGE_DB)
    aside = max(round(ASIDE_S / frame_s), 1)
    padded = np.pad(levels, ((aside, aside), (0, 0)), mode="edge")
    before, after = padded[: -2 * aside], padded[2 * aside :]
    turn = np.sqrt(np.mean((after - before) ** 2, axis=1))
    loud = 10 * np.log10(np.sum(10 ** (levels / 10), axis=1))
    around = np.pad(loud, 4 * aside, mode="edge")
    beside = np.minimum(around[: len(loud)], around[8 * aside :])
    dip = np.maximum(beside - loud, 0.0)
    return np.asarray(np.minimum(dip / DIP_DB, MOST) + np.minimum(turn / TURN_DB, MOST))
