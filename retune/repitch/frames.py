"""Overlapping Hann frames of a sound and back: what the lift and the room share."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from retune.carriers.heard import FloatArray
from retune.sound.netlayers import Floats

Spectra = NDArray[np.complex64]

HOPS = 8  # steps to a frame


def hann(size: int) -> FloatArray:
    """A periodic Hann window."""
    return np.asarray(0.5 - 0.5 * np.cos(2 * np.pi * np.arange(size) / size))


def frames_of(y: Floats, *, size: int, hops: int = HOPS) -> Spectra:
    """Spectra (n_channels, n_frames, n_bins) of Hann frames `size` / `hops` apart; the first one
    ends where `y` (n_channels, n) begins, the last lies behind its end."""
    from scipy.fft import rfft

    hop = size // hops
    n_frames = (y.shape[1] + size) // hop + 1
    padded = np.pad(y, ((0, 0), (size, size + n_frames * hop - y.shape[1])))
    frames = np.lib.stride_tricks.sliding_window_view(padded, size, axis=1)[:, ::hop][:, :n_frames]
    return np.asarray(rfft(frames * hann(size).astype(y.dtype), axis=2))


def laid_over(made: Floats, *, hops: int = HOPS, length: int) -> Floats:
    """The sum of frames (n_channels, n_frames, size) where `frames_of` took them, (n_channels,
    `length`)."""
    n_frames, size = made.shape[1:]
    hop = size // hops
    out = np.zeros((len(made), n_frames * hop + 2 * size), made.dtype)
    for k in range(n_frames):
        out[:, k * hop : k * hop + size] += made[:, k]
    return out[:, size : size + length]


def power_of(spectra: Spectra) -> FloatArray:
    """Squared magnitudes."""
    return np.asarray(spectra.real**2 + spectra.imag**2)
