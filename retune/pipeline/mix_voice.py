"""The voice in a finished mix: given beside it, or estimated, block by block, where it is read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retune.carriers.errors import AudioError
from retune.carriers.heard import AudioLike, PitchTrack, Samples, Singing
from retune.pipeline.inputs import SongInputs
from retune.pipeline.stages import Stage
from retune.sound.audio import open_audio
from retune.sound.parts import Cut, Within


@dataclass(frozen=True, eq=False)
class Shares:
    """The voice's share of each bin of one block of a mix (see `retune.separate.estimate`)."""

    values: NDArray[np.uint16]


SHARES = Stage("voice in a block of a mix", Shares, rooms=("separate",), keep=12)
SINGING = Stage("where somebody sings in a mix", Singing, rooms=("separate",))


@dataclass(frozen=True, eq=False)
class Fitted:
    """A voice made as long as its mix, silence behind it; with as many channels."""

    audio: AudioLike
    n_samples: int
    n_channels: int

    @property
    def rate_hz(self) -> int:
        return self.audio.rate_hz

    def read(self, start: int = 0, stop: int | None = None) -> Samples:
        """Samples [start, stop), float32 (n, n_channels)."""
        start, stop = max(start, 0), min(self.n_samples if stop is None else stop, self.n_samples)
        found = self.audio.read(start, stop)
        if found.shape[1] != self.n_channels:
            found = np.repeat(found.mean(axis=1, keepdims=True), self.n_channels, axis=1)
        return np.pad(found, ((0, max(stop - start - len(found), 0)), (0, 0)))


def voice_of(opened: SongInputs, name: str) -> AudioLike:
    """The voice in the mix `name`: the file given for it, else the estimate.

    Raises
    ------
    AudioError
        The file is at another rate than the mix.
    """
    part, path = opened.audio[name], opened.song.stems[name].voice
    mix = part.entire
    if path is None:
        return Within(estimated_voice(opened, name), part.first, part.n_samples)
    voice = open_audio(path)
    if voice.rate_hz != mix.rate_hz:
        raise AudioError(
            f"{path} has {voice.rate_hz} Hz, the mix {mix.rate_hz} Hz; convert it to the rate of "
            "the mix"
        )
    return Within(Fitted(voice, mix.n_samples, mix.n_channels), part.first, part.n_samples)


def estimated_voice(opened: SongInputs, name: str) -> AudioLike:
    """The voice in the whole file of the mix `name`, estimated. Blocks are those of the whole
    file, so that another passage finds them again."""
    from retune.separate import estimate_voice, shares_in, usual_gain

    mix = opened.audio[name].entire
    gain: list[float] = []

    def share_of(block: int) -> NDArray[np.uint16]:
        def make() -> Shares:
            if not gain:
                gain.append(usual_gain(mix))
            return Shares(shares_in(mix, block, gain=gain[0]))

        reads = {"mix": opened.sha256(name), "block": block}
        return opened.recall(SHARES, reads, make).values

    return estimate_voice(mix, share_of)


def voice_reads(opened: SongInputs, name: str) -> Mapping[str, Any]:
    """The contents that the voice in a mix is worked out of."""
    path = opened.song.stems[name].voice
    return {
        "mix": opened.content(name),
        "voice": "" if path is None else opened.digests.get(path, ""),
    }


def singing_of(opened: SongInputs, name: str) -> Singing:
    """Where somebody sings in a mix; by a correction `no voice`, nobody does."""
    from retune.analysis.corrections import silent_spans

    found = singing_heard(opened, name)
    silent = silent_spans(opened.corrections, stem=name)
    return without(found, silent) if silent else found


def singing_heard(opened: SongInputs, name: str) -> Singing:
    """Where somebody is heard singing in a mix, whatever a person says."""
    return opened.recall(SINGING, voice_reads(opened, name), lambda: _find_singing(opened, name))


def sung_beside(opened: SongInputs, name: str, track: PitchTrack) -> Singing:
    """Where somebody sings in a mix, and where another voice does beside the one that `track`
    follows."""
    from retune.separate import second_voice

    part, found = opened.audio[name], singing_heard(opened, name)
    first_s = part.first / part.rate_hz
    here = PitchTrack(track.time_s - first_s, track.f0_hz, track.voiced_prob, track.energy_db)
    spans = second_voice(Cut(voice_of(opened, name), part.first, part.n_samples), here)
    later = ((round(a + first_s, 3), round(b + first_s, 3)) for a, b in spans)
    return replace(found, second=tuple(later))


def _find_singing(opened: SongInputs, name: str) -> Singing:
    """Where somebody sings in the part that is worked on, on the clock of the whole."""
    from retune.separate import find_singing

    part, voice = opened.audio[name], voice_of(opened, name)
    first_s = part.first / part.rate_hz
    found = find_singing(*(Cut(a, part.first, part.n_samples) for a in (part, voice)))
    before = np.full(round(first_s / found.hop_s), float(found.share_db.min(initial=0.0)))
    spans = tuple((round(a + first_s, 3), round(b + first_s, 3)) for a, b in found.spans)
    return Singing(found.hop_s, np.concatenate([before, found.share_db]), spans)


def without(singing: Singing, silent: list[tuple[float, float]]) -> Singing:
    """`singing` with the spans cut out in which a person says that nobody sings."""
    from retune.separate import spans_of

    time_s = np.arange(len(singing.share_db)) * singing.hop_s
    sings = np.zeros(len(time_s), bool)
    share_db = np.array(singing.share_db)
    for start_s, end_s in singing.spans:
        sings |= (time_s >= start_s) & (time_s < end_s)
    for start_s, end_s in silent:
        inside = (time_s >= start_s) & (time_s < end_s)
        sings &= ~inside
        share_db[inside] = share_db.min(initial=0.0)
    return Singing(singing.hop_s, share_db, spans_of(sings, singing.hop_s))


def band_of(opened: SongInputs, name: str) -> AudioLike:
    """What plays in a mix without its voice."""
    from retune.separate import Without

    return Without(opened.audio[name], voice_of(opened, name))
