"""The bass inside a finished mix: what is left of the middle below the chords is nearly all it."""

from __future__ import annotations

import numpy as np

from retune.carriers.heard import AudioLike, Samples

TOP_HZ = 180.0
ORDER = 4
# By then the filter has forgotten what it heard (its slowest pole lies at 430 / s).
SETTLE_S = 0.1


class Lows:
    """The middle of a mix below `TOP_HZ`, mono (an `AudioLike`), filtered as it is read; forward
    and back, so that nothing comes late."""

    n_channels = 1

    def __init__(self, audio: AudioLike) -> None:
        from scipy.signal import butter

        self._audio = audio
        self.rate_hz = audio.rate_hz
        self.n_samples = audio.n_samples
        self._sos = butter(ORDER, TOP_HZ, fs=audio.rate_hz, output="sos")

    def read(self, start: int = 0, stop: int | None = None) -> Samples:
        """Samples [start, stop) as float32 (n, 1); clipped to what exists."""
        from scipy.signal import sosfilt

        start = min(max(start, 0), self.n_samples)
        stop = self.n_samples if stop is None else min(max(stop, start), self.n_samples)
        reach = int(SETTLE_S * self.rate_hz)
        first = max(start - reach, 0)
        x = np.asarray(self._audio.read(first, min(stop + reach, self.n_samples)), np.float64)
        middle = x.mean(axis=1)
        for _ in range(2):
            middle = sosfilt(self._sos, middle)[::-1]
        return np.asarray(middle[start - first : stop - first, None], dtype=np.float32)
