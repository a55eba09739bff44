"""Mixes of stems, read in blocks.

Gains and padding touch only the mix. A mix is an `AudioLike`: it can be measured, cut, written
and encoded without ever lying in memory as a whole.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from retune.carriers.changes import StemRendition
from retune.carriers.errors import AudioError
from retune.carriers.heard import AudioLike, Samples
from retune.carriers.units import db_to_gain


@dataclass(frozen=True, eq=False)
class MixPart:
    """One stem in a mix: its sound, its level, and the changed spans if it has any. Beside a
    finished mix that holds it already, it gives only its `changes`."""

    audio: AudioLike
    gain_db: float = 0.0
    rendition: StemRendition | None = None
    changes_only: bool = False

    def read(self, start: int, stop: int) -> Samples:
        """Samples [start, stop), clipped to what exists, before the gain."""
        stop = min(stop, self.audio.n_samples)
        start = min(start, stop)
        if self.rendition is not None and not self.changes_only:
            return self.rendition.apply(self.audio, start, stop)
        patches = self.rendition.patches if self.rendition is not None else ()
        if self.changes_only and not any(p.start < stop and p.stop > start for p in patches):
            return np.zeros((stop - start, self.audio.n_channels), np.float32)
        heard = self.audio.read(start, stop)
        if self.rendition is None:
            return heard
        return self.rendition.apply(self.audio, start, stop) - heard


@dataclass(frozen=True, eq=False)
class Mix:
    """Stems added up, padded with silence to the longest (an `AudioLike`).

    Mono parts go to both channels, undimmed, as soon as one part is stereo. `gain_db` applies
    to the sum.

    Raises AudioError when there is no part, when rates differ, or on more than two channels.
    """

    parts: tuple[MixPart, ...]
    gain_db: float = 0.0

    def __post_init__(self) -> None:
        if not self.parts:
            raise AudioError("a mix of no stems was asked for; give at least one stem")
        rates = sorted({part.audio.rate_hz for part in self.parts})
        if len(rates) > 1:
            raise AudioError(
                f"the stems have the rates {rates[0]} and {rates[-1]} Hz; convert them to one rate"
            )
        most = max(part.audio.n_channels for part in self.parts)
        if most > 2:
            raise AudioError(f"a stem has {most} channels; give mono or stereo stems")

    @property
    def rate_hz(self) -> int:
        return self.parts[0].audio.rate_hz

    @property
    def n_samples(self) -> int:
        return max(part.audio.n_samples for part in self.parts)

    @property
    def n_channels(self) -> int:
        return max(part.audio.n_channels for part in self.parts)

    def read(self, start: int = 0, stop: int | None = None) -> Samples:
        """Samples [start, stop) of the sum as float32 (n, n_channels); clipped to what exists."""
        start = min(max(start, 0), self.n_samples)
        stop = self.n_samples if stop is None else min(max(stop, start), self.n_samples)
        total = np.zeros((stop - start, self.n_channels))
        for part in self.parts:
            piece = part.read(start, stop)
            total[: len(piece)] += float(db_to_gain(part.gain_db)) * piece.astype(np.float64)
        return (float(db_to_gain(self.gain_db)) * total).astype(np.float32)

    def louder_by(self, gain_db: float) -> Mix:
        """The same mix with its gain changed by so many decibels."""
        return replace(self, gain_db=self.gain_db + gain_db)


def passage(
    audio: AudioLike, *, start_s: float = 0.0, end_s: float | None = None, fade_s: float = 0.03
) -> Samples:
    """The part of `audio` between two times, float32 (n, channels), faded where it is cut.

    A fade (raised cosine, `fade_s` long) is put only at a side where sound was cut away. Times
    beyond the sound are pulled back to it.
    """
    first = min(max(round(start_s * audio.rate_hz), 0), audio.n_samples)
    last = audio.n_samples if end_s is None else min(round(end_s * audio.rate_hz), audio.n_samples)
    out: Samples = np.array(audio.read(first, max(last, first)), dtype=np.float32)
    n_fade = min(round(fade_s * audio.rate_hz), len(out) // 2)
    ramp = (0.5 - 0.5 * np.cos(np.pi * (np.arange(n_fade) + 0.5) / max(n_fade, 1)))[:, None]
    if first > 0:
        out[:n_fade] *= ramp.astype(np.float32)
    if last < audio.n_samples and n_fade:
        out[-n_fade:] *= ramp[::-1].astype(np.float32)
    return out
