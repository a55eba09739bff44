"""What a user should know of a sound before working on it: silence, clipping, DC, loss."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from retune.carriers.errors import AudioError
from retune.carriers.heard import AudioLike, Samples
from retune.sound import media
from retune.sound.audio import blocks_of

_SILENT = 10 ** (-80 / 20)  # common practice, no source
_FULL_SCALE = 1.0 - 2.0**-15  # the top code of 16 bits, which is where clipping shows first
_CLIP_RUN = 3  # samples in a row at full scale; common practice, no source
_DC = 10 ** (-40 / 20)  # common practice, no source


@dataclass
class _Levels:
    """Running levels of a stream of blocks, per channel."""

    n_channels: int

    def __post_init__(self) -> None:
        self.peak = np.zeros(self.n_channels)
        self.total = np.zeros(self.n_channels)
        self.run = np.zeros(self.n_channels, dtype=np.int64)
        self.n_samples = self.clipped = 0
        self.first_clip: int | None = None

    def add(self, block: Samples) -> None:
        magnitude = np.abs(block)
        self.peak = np.maximum(self.peak, magnitude.max(axis=0, initial=0.0))
        self.total += block.sum(axis=0, dtype=np.float64)
        if magnitude.max(initial=0.0) >= _FULL_SCALE:
            for channel in range(self.n_channels):
                self._count_clips(magnitude[:, channel] >= _FULL_SCALE, channel)
        else:
            self.run[:] = 0
        self.n_samples += len(block)

    def _count_clips(self, full: Any, channel: int) -> None:
        """Runs of full-scale samples; a run that crosses a block border counts once."""
        padded = np.concatenate(([False], full, [False])).astype(np.int8)
        starts, ends = np.flatnonzero(np.diff(padded) == 1), np.flatnonzero(np.diff(padded) == -1)
        lengths = ends - starts
        before = 0
        if len(starts) and starts[0] == 0:
            before = int(self.run[channel])
            lengths[0] += before
        long = lengths >= _CLIP_RUN
        counted_before = before >= _CLIP_RUN
        self.clipped += int(long.sum()) - int(counted_before)
        if self.first_clip is None and long.any():
            at = int(np.argmax(long))
            self.first_clip = self.n_samples + int(starts[at]) - (before if at == 0 else 0)
        self.run[channel] = int(lengths[-1]) if len(full) and full[-1] else 0


def audio_warnings(audio: AudioLike, *, name: str | None = None) -> list[str]:
    """What a user should know about the sound before working on it, read in blocks.

    Silence (peak under -80 dBFS), clipping (three or more full-scale samples in a row) and DC
    (mean over -40 dBFS). `name` stands in front (default: the file's name).
    Raises AudioError for NaN or infinity.
    """
    name = name or str(getattr(getattr(audio, "path", None), "name", "audio"))
    levels = _Levels(audio.n_channels)
    for block in blocks_of(audio):
        if not np.isfinite(block).all():
            raise AudioError(f"{name} holds NaN or infinity; export it again")
        levels.add(block)
    if not levels.n_samples or float(levels.peak.max()) < _SILENT:
        return [f"{name} is silent"]
    found = media.lossy_words(audio, name)
    if levels.first_clip is not None:
        places = "place" if levels.clipped == 1 else "places"
        found.append(
            f"{name} is clipped in {levels.clipped} {places}, first at "
            f"{levels.first_clip / audio.rate_hz:.3f} s; a lower recording level sounds better"
        )
    mean = levels.total / levels.n_samples
    worst = float(mean[np.argmax(np.abs(mean))])
    if abs(worst) > _DC:
        found.append(f"{name} has a DC offset of {worst:+.3f} of full scale; remove it")
    return found
