"""One sound that goes over into another of the same notes whose partials stand at other phases.

Two runs of a spectral engine over the same music differ by a constant phase for each partial. A
plain crossfade of them is hollow where partials meet in opposite phase. Here each region about a
spectral peak is turned from the phase it has in the first to that in the second while the
levels cross over: a partial bends by a fraction of a hertz for a moment, and keeps its level.
(Regions about peaks that turn as one: Laroche & Dolson 1999, "Improved phase vocoder time-scale
modification of audio", IEEE Trans. Speech and Audio Processing 7, 323-332; from memory.)
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from retune.carriers.heard import FloatArray, Samples

FRAME, HOP = 4096, 512
LEAST = 4 * FRAME


def gone_over(a: Samples, b: Samples) -> Samples:
    """`a` (n, n_channels) at its beginning, `b` at its end, n at least `LEAST`."""
    n = len(a)
    first, second = _spectra(a), _spectra(b)
    middle = (np.arange(first.shape[0]) * HOP - FRAME / 2) / n
    w = np.clip((middle - FRAME / n) / (1 - 2 * FRAME / n), 0.0, 1.0)[:, None, None]
    w = w * w * (3 - 2 * w)
    turn, alike = _turns(first, second)
    level = np.sqrt((1 - w) ** 2 + w**2 + 2 * w * (1 - w) * alike[:, None])
    mixed = (1 - w) * first * np.exp(1j * w * turn[:, None])
    mixed += w * second * np.exp(-1j * (1 - w) * turn[:, None])
    return _samples(mixed / level, n)


def most_alike(a: Samples, b: Samples, length: int) -> int:
    """Where in two sounds of one size the `length` samples begin over which they differ least, as
    a share of their power."""
    power = _sums(a**2 + b**2, length) + 1e-9 * length
    return int(np.argmin(_sums((a - b) ** 2, length) / power))


def _sums(x: Samples, length: int) -> FloatArray:
    total = np.append(0.0, np.cumsum(np.sum(x, axis=1, dtype=np.float64)))
    return np.asarray(total[length:] - total[:-length])


def _window() -> FloatArray:
    return np.asarray(0.5 - 0.5 * np.cos(2 * np.pi * np.arange(FRAME) / FRAME))


def _spectra(x: Samples) -> NDArray[np.complex128]:
    """(n_frames, n_bins, n_channels), the first frame ending where `x` begins."""
    padded = np.pad(np.asarray(x, dtype=np.float64), ((FRAME, FRAME + HOP), (0, 0)))
    frames = np.lib.stride_tricks.sliding_window_view(padded, FRAME, axis=0)[::HOP]
    return np.asarray(np.fft.rfft(frames * _window(), axis=2).transpose(0, 2, 1))


def _samples(spectra: NDArray[np.complex128], n: int) -> Samples:
    frames = np.fft.irfft(spectra, n=FRAME, axis=1) * _window()[:, None]
    out = np.zeros((FRAME + HOP * len(frames), spectra.shape[2]))
    weight = np.zeros(len(out))
    for k, frame in enumerate(frames):
        out[k * HOP : k * HOP + FRAME] += frame
        weight[k * HOP : k * HOP + FRAME] += _window() ** 2
    inside = slice(FRAME, FRAME + n)
    return np.asarray(out[inside] / weight[inside, None], dtype=np.float32)


def _turns(
    first: NDArray[np.complex128], second: NDArray[np.complex128]
) -> tuple[FloatArray, FloatArray]:
    """For each bin, how far the region about its peak is turned from the first to the second
    (radians), and how alike the two are there (0 to 1). All channels turn alike."""
    cross = np.sum(second * first.conj(), axis=(0, 2))
    powers = [np.sum(np.abs(s) ** 2, axis=(0, 2)) for s in (first, second)]
    level = np.sqrt(powers[0] * powers[1])
    inner = (level[1:-1] > level[:-2]) & (level[1:-1] >= level[2:])
    peaks = np.flatnonzero(inner) + 1
    if not len(peaks):
        return np.zeros(len(level)), np.ones(len(level))
    borders = (peaks[1:] + peaks[:-1] + 1) // 2
    begins = np.append(0, borders)
    region = np.searchsorted(borders, np.arange(len(level)), side="right")
    whole = np.add.reduceat(cross, begins)
    most = np.sqrt(np.prod([np.add.reduceat(power, begins) for power in powers], axis=0))
    alike = np.minimum(np.abs(whole) / (most + 1e-30), 1.0)
    return np.angle(whole)[region], alike[region]
