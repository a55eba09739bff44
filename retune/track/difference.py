"""The difference function of YIN, for many frames at once.

de Cheveigné & Kawahara 2002, "YIN, a fundamental frequency estimator for speech and music",
JASA 111(4), equations 6 to 8.
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from retune.carriers.heard import FloatArray


def frames_of(stretch: FloatArray, *, window: int, hop: int) -> FloatArray:
    """The frames (n, window) in a stretch of sound, as a view."""
    view: FloatArray = sliding_window_view(stretch, window)[::hop]
    return view


def published_difference(frames: FloatArray, *, max_period: int) -> FloatArray:
    """Difference function (n, max_period + 1) as librosa computes it.

    The shifted frame runs into zeros at its end, so the minimum is never quite 0 and lies a
    little early (sharp by 1 to 4 cents): kept, for it is the yardstick.
    """
    from scipy import fft

    size = fft.next_fast_len(frames.shape[1] + max_period + 1, real=True)
    spectrum = fft.rfft(frames, n=size, axis=1)
    power = spectrum.real**2 + spectrum.imag**2
    correlation = fft.irfft(power, n=size, axis=1)[:, : max_period + 1]
    difference = np.zeros((len(frames), max_period + 1))
    head = np.cumsum(np.square(frames[:, :max_period]), axis=1)
    difference[:, 1:] = 2 * (correlation[:, :1] - correlation[:, 1:]) - head
    return difference


class SymmetricDifference:
    """Difference function weighted so that every lag is centred on the middle of the frame.

    d(k) = sum_j w(j) w(j + k) (y(j) - y(j + k))^2 / sum_j w(j) w(j + k), w a sine window. No
    zeros run in, so a periodic sound gives 0 at its period whatever the lag, and a pitch that
    moves evenly is read at the frame's centre. `noise` is added as the power that white noise
    at the floor would add: sound well below it loses its troughs.
    """

    def __init__(self, *, window: int, max_period: int, noise_power: float) -> None:
        from scipy import fft

        self.max_period = max_period
        self.noise_power = noise_power
        self.size = fft.next_fast_len(window + max_period + 1, real=True)
        self.weights = np.sin(np.pi * (np.arange(window) + 0.5) / window)
        self.weights_spectrum = np.conj(fft.rfft(self.weights, n=self.size))
        overlap = fft.irfft(np.abs(self.weights_spectrum) ** 2, n=self.size)
        self.scale = 1.0 / overlap[: max_period + 1]

    def __call__(self, frames: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Differences (n, max_period + 1) and the mean power (n,) of each frame."""
        from scipy import fft

        weighted = frames * self.weights
        power = np.einsum("ij,ij->i", weighted, weighted) * self.scale[0]
        spectrum = fft.rfft(weighted, n=self.size, axis=1)
        weighted *= frames
        cross = fft.rfft(weighted, n=self.size, axis=1)
        cross *= self.weights_spectrum
        total = cross.real - spectrum.real**2 - spectrum.imag**2
        difference = fft.irfft(total, n=self.size, axis=1)[:, : self.max_period + 1]
        difference *= 2.0 * self.scale
        np.maximum(difference, 0.0, out=difference)
        difference[:, 1:] += 2.0 * self.noise_power
        difference[:, 0] = 0.0
        return difference, power
