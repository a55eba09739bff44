"""Grains of two periods, their spectra, and what is missing between their harmonics.

The spectrum of a grain (Hann window over two periods) is exact at the harmonics of the old pitch
only; between them, where harmonics of the new pitch will lie, neighbours of different phase
partly cancel and the envelope shows dips that the voice does not have. The correction raises
the spectrum towards the straight line, in dB, from harmonic to harmonic.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retune.core.carriers import FloatArray
from retune.core.compiled import compiled

TOP_HZ, FADE_HZ = 6000.0, 1000.0
LIMIT_DB = 9.0
STRENGTH = 0.6
FULL_AT_CENTS = 100.0
SPREAD = np.array([0.06, 0.24, 0.40, 0.24, 0.06])


@dataclass(frozen=True, eq=False)
class Grains:
    """`spectra` complex (n_channels, n_marks, n_bins) of grains about their marks, which lie in
    the middle of `size` samples plus the mark's fraction; `before` and `after` the half lengths."""

    spectra: NDArray[np.complex128]
    size: int
    before: FloatArray
    after: FloatArray


@compiled
def _cut(
    out: FloatArray, x: FloatArray, marks: FloatArray, before: FloatArray, after: FloatArray
) -> None:
    """Windowed grains, the mark's whole sample first and what lies before it at the end."""
    size = out.shape[2]
    for k in range(len(marks)):
        middle = math.floor(marks[k])
        part = marks[k] - middle
        first = max(math.ceil(part - before[k]), -middle)
        last = min(math.floor(part + after[k]), x.shape[1] - 1 - middle)
        for i in range(first, last + 1):
            d = i - part
            weight = 0.5 + 0.5 * math.cos(math.pi * d / (before[k] if d < 0 else after[k]))
            place = i if i >= 0 else i + size
            for c in range(x.shape[0]):
                out[c, k, place] = weight * x[c, middle + i]


def cut_grains(x: FloatArray, marks: FloatArray) -> Grains:
    """Grains of `x`, (n_channels, n_samples), one a mark."""
    from scipy.fft import next_fast_len, rfft

    length = np.diff(marks)
    before, after = np.append(length[0], length), np.append(length, length[-1])
    size = int(next_fast_len(int(3.2 * (0.5 * (before + after)).max()) + 8, real=True))
    cut = np.zeros((x.shape[0], len(marks), size))
    _cut(cut, x, marks, before, after)
    return Grains(np.asarray(rfft(cut, axis=2)), size, before, after)


@compiled
def _fill(
    level: FloatArray, bins_per_harmonic: FloatArray, top: float, fade: float, limit: float
) -> FloatArray:
    """For each grain, what to add to `level` (nepers) between harmonics."""
    n_marks, n_bins = level.shape
    out = np.zeros((n_marks, n_bins))
    for k in range(n_marks):
        step = bins_per_harmonic[k]
        n_harmonics = int((n_bins - 2) / step)
        for h in range(1, n_harmonics):
            a, b = h * step, (h + 1) * step
            ia, ib = int(a), int(b)
            low = level[k, ia] + (a - ia) * (level[k, ia + 1] - level[k, ia])
            high = level[k, ib] + (b - ib) * (level[k, ib + 1] - level[k, ib])
            for i in range(ia + 1, ib + 1):
                share = min(max((top - i) / fade, 0.0), 1.0)
                if share <= 0.0:
                    break
                wanted = low + (high - low) * (i - a) / step
                out[k, i] = share * min(max(wanted - level[k, i], -limit), limit)
    return out


def correction(grains: Grains, *, rate_hz: int) -> FloatArray:
    """Nepers to add to each bin of each grain, the same for all channels, (n_marks, n_bins)."""
    power = np.sum(grains.spectra.real**2 + grains.spectra.imag**2, axis=0)
    reach = len(SPREAD) // 2
    padded = np.pad(power, ((reach, reach), (0, 0)), mode="edge")
    calm = sum(w * padded[i : i + len(power)] for i, w in enumerate(SPREAD))
    level = 0.5 * np.log(np.asarray(calm) + 1e-20)
    bins_per_hz = grains.size / rate_hz
    period = 0.5 * (grains.before + grains.after)
    limit = LIMIT_DB * math.log(10) / 20
    return STRENGTH * _fill(
        level, grains.size / period, TOP_HZ * bins_per_hz, FADE_HZ * bins_per_hz, limit
    )


@compiled
def _shape(
    out: NDArray[np.complex128],
    spectra: NDArray[np.complex128],
    filled: FloatArray,
    nearest: NDArray[np.int64],
    amount: FloatArray,
    gain: FloatArray,
    delay: FloatArray,
    size: int,
) -> None:
    """Spectra of the grains to be laid out: corrected, weighed, a fraction of a sample later."""
    n_bins = spectra.shape[2]
    for j in range(len(nearest)):
        k = nearest[j]
        angle = -2 * math.pi * delay[j] / size
        step = complex(math.cos(angle), math.sin(angle))
        turn = complex(gain[j], 0.0)
        for i in range(n_bins):
            factor = turn
            if filled[k, i] != 0.0 and amount[j] != 0.0:
                factor = turn * math.exp(amount[j] * filled[k, i])
            for c in range(spectra.shape[0]):
                out[c, j, i] = spectra[c, k, i] * factor
            turn = turn * step


def shape_grains(
    grains: Grains,
    filled: FloatArray,
    *,
    nearest: NDArray[np.int64],
    amount: FloatArray,
    gain: FloatArray,
    delay: FloatArray,
) -> FloatArray:
    """Samples of the grains to lay out, (n_channels, n_targets, size), centre first.

    For target j: grain `nearest[j]`, `amount[j]` of the correction, `gain[j]`, `delay[j]` samples
    (a fraction) later.
    """
    from scipy.fft import irfft

    shape = (grains.spectra.shape[0], len(nearest), grains.spectra.shape[2])
    out = np.empty(shape, dtype=np.complex128)
    _shape(out, grains.spectra, filled, nearest, amount, gain, delay, grains.size)
    return np.asarray(irfft(out, n=grains.size, axis=2))


@compiled
def add_grains(out: FloatArray, made: FloatArray, whole: NDArray[np.int64]) -> None:
    """Add each grain to `out` about its whole sample, its outer fifths faded: the correction
    rings on a little, and its ends must not click."""
    n_channels, n_targets, size = made.shape
    half = size // 2
    fade = np.ones(size)
    for i in range(-half, size - half):
        beyond = (abs(i) / half - 0.8) / 0.2
        if beyond > 0:
            fade[i if i >= 0 else i + size] = 0.5 + 0.5 * math.cos(math.pi * min(beyond, 1.0))
    for c in range(n_channels):
        for j in range(n_targets):
            for i in range(-half, size - half):
                n = whole[j] + i
                if 0 <= n < out.shape[1]:
                    place = i if i >= 0 else i + size
                    out[c, n] += fade[place] * made[c, j, place]
