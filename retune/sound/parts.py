"""A stretch of a sound as a sound of its own, and back on the clock of the whole."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from retune.carriers.heard import AudioLike, Samples


@dataclass(frozen=True, eq=False)
class Cut:
    """Samples [first, stop) of `audio`, counted from 0: an `AudioLike`."""

    audio: AudioLike
    first: int
    stop: int

    @property
    def rate_hz(self) -> int:
        return self.audio.rate_hz

    @property
    def n_samples(self) -> int:
        return max(min(self.stop, self.audio.n_samples) - self.first, 0)

    @property
    def n_channels(self) -> int:
        return self.audio.n_channels

    def read(self, start: int = 0, stop: int | None = None) -> Samples:
        """Samples [start, stop), float32 (n, n_channels)."""
        stop = self.n_samples if stop is None else min(stop, self.n_samples)
        return self.audio.read(self.first + max(start, 0), self.first + max(stop, 0))


@dataclass(frozen=True, eq=False)
class Within:
    """`audio` up to sample `stop`, silent before `first`: an `AudioLike` on its own clock."""

    audio: AudioLike
    first: int
    stop: int

    @property
    def rate_hz(self) -> int:
        return self.audio.rate_hz

    @property
    def n_samples(self) -> int:
        return min(self.stop, self.audio.n_samples)

    @property
    def n_channels(self) -> int:
        return self.audio.n_channels

    def read(self, start: int = 0, stop: int | None = None) -> Samples:
        """Samples [start, stop), float32 (n, n_channels); what lies before is not read."""
        start, stop = max(start, 0), min(self.n_samples if stop is None else stop, self.n_samples)
        if stop <= start:
            return np.zeros((0, self.n_channels), np.float32)
        heard = self.audio.read(max(start, self.first), max(stop, self.first))
        return np.pad(heard, ((stop - start - len(heard), 0), (0, 0)))
