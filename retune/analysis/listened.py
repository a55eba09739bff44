"""What is heard in a song before anybody puts a note right: notes, spectra, beats, harmony.

None of it changes with a correction by hand, so that it is heard once and a correction answers at
once; and where the bars stand does not hang on a note that somebody drops.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, TypeVar

from retune.analysis.beats import LONGEST_S, find_bars
from retune.analysis.chord_listen import listen_for_chords
from retune.analysis.chroma import HOP_S, Spectra, spectra_of
from retune.analysis.guided import drafts_of, mix_notes
from retune.analysis.key import KeyAt
from retune.analysis.key_harmony import Harmony, harmony_of
from retune.analysis.meter import Heard as HeardBeats
from retune.analysis.note_trust import Heard
from retune.analysis.notes import find_notes
from retune.analysis.onset_curve import note_curves, onset_curves
from retune.analysis.songnotes import SongNotes
from retune.carriers.heard import AudioLike, Bars, Chord, KeySpan, PitchTrack, Singing
from retune.carriers.songfacts import Song
from retune.song.guide import GuideNote

Value = TypeVar("Value")


@dataclass(eq=False)
class Listened:
    """What is heard of a song by its sound alone; each thing once, when first asked for.

    Attributes
    ----------
    song : Song
        The song file; its corrections are not looked at, and of its facts only tuning, key, meter
        and bars.
    audio, tracks, guide, singing, band, voices
        See `listen_to`.
    """

    song: Song
    audio: Mapping[str, AudioLike]
    tracks: Mapping[str, PitchTrack]
    guide: Sequence[GuideNote] = ()
    singing: Mapping[str, Singing] = field(default_factory=dict)
    band: Mapping[str, AudioLike] = field(default_factory=dict)
    voices: Mapping[str, AudioLike] = field(default_factory=dict)
    _last: dict[tuple[Any, ...], tuple[Any, Any]] = field(default_factory=dict, repr=False)

    @property
    def duration_s(self) -> float:
        """Length of the longest stem."""
        return max((a.n_samples / a.rate_hz for a in self.audio.values()), default=0.0)

    @cached_property
    def notes(self) -> Mapping[str, tuple[Heard, ...]]:
        """The notes of every stem that has a track; of a mix those of its melody."""
        return {name: self._notes(name) for name in self.song.stems if name in self.tracks}

    def _notes(self, name: str) -> tuple[Heard, ...]:
        role, track = self.song.stems[name].role, self.tracks[name]
        if role == "mix":
            return mix_notes(track, self.guide, self.singing.get(name), self.voices.get(name))
        return find_notes(track, self.audio.get(name), is_bass=role == "bass")

    @cached_property
    def tuned(self) -> SongNotes:
        """The notes with their tuning told."""
        found = SongNotes(self.song, {name: drafts_of(n) for name, n in self.notes.items()})
        found.tune()
        return found

    @property
    def sounds(self) -> dict[str, AudioLike]:
        """What sounds, each stem once."""
        stems = self.song.stems
        return {n: a for n, a in self.audio.items() if n in stems and not stems[n].inside}

    @property
    def pitched(self) -> dict[str, AudioLike]:
        """What has a pitch; of a mix the band alone, where it was told from the voice."""
        heard = {n: a for n, a in self.sounds.items() if self.song.stems[n].role != "unpitched"}
        return {n: self.band.get(n, a) for n, a in heard.items()}

    @property
    def is_accompanied(self) -> bool:
        """Whether more than a melody sounds, so that there is harmony to hear."""
        roles = {self.song.stems[n].role for n in self.pitched}
        return bool(roles & {"backing", "bass", "harmony", "mix"})

    @cached_property
    def spectra(self) -> Spectra:
        """Spectra of all that has a pitch."""
        return spectra_of(list(self.pitched.values()), tuning_hz=self.tuned.tuning_hz)

    @cached_property
    def bars(self) -> Bars | None:
        """The bars as heard in all that sounds; None where nothing pulses."""
        notes = self.tuned
        name = notes.lead()
        lead = [(d.start_s, d.end_s) for d in notes.drafts.get(name or "", [])]
        bass = [(d.start_s, d.end_s) for n in notes.stems_of("bass") for d in notes.drafts[n]]
        curves = onset_curves(list(self.sounds.values()), longest_s=LONGEST_S)
        if not curves.all.any():
            curves = note_curves([start_s for start_s, _ in lead])
        # Where nobody sings, too few notes of a mix's melody are the song's to tell bars by.
        is_told = name is not None and (self.song.stems[name].role != "mix" or bool(self.guide))
        heard = HeardBeats(curves, self.spectra, lead if is_told else [], bass)
        return find_bars(self.song.music, heard, duration_s=self.duration_s)

    def harmony(self, start_s: float = 0.0, end_s: float | None = None) -> Harmony | None:
        """What sounds in a span, or in all, speaks for which key; None in silence."""
        last = None if end_s is None else round(end_s / HOP_S)
        part = slice(round(start_s / HOP_S), last)
        cut = Spectra(self.spectra.fine[part], self.spectra.power[part])
        is_whole = start_s <= 0 and end_s is None
        return self.last(
            ("harmony", start_s, end_s), (), lambda: harmony_of(cut, is_whole=is_whole)
        )

    def chords(self, bars: Bars, keys: tuple[KeySpan, ...]) -> tuple[Chord, ...]:
        """The chords as heard, on these bars, named in these keys."""
        return self.last(
            ("chords",),
            (bars, keys),
            lambda: listen_for_chords(
                self.spectra, bars=bars, key_at=KeyAt(keys), duration_s=self.duration_s
            ),
        )

    def last(self, name: tuple[Any, ...], reads: object, make: Callable[[], Value]) -> Value:
        """What was made last under a name, where it was made from equal `reads`; else made anew."""
        made = self._last.get(name)
        if made is None or made[0] != reads:
            made = self._last[name] = (reads, make())
        value: Value = made[1]
        return value


def listen_to(
    song: Song,
    audio: Mapping[str, AudioLike],
    tracks: Mapping[str, PitchTrack],
    *,
    guide: Sequence[GuideNote] = (),
    singing: Mapping[str, Singing] | None = None,
    band: Mapping[str, AudioLike] | None = None,
    voices: Mapping[str, AudioLike] | None = None,
) -> Listened:
    """What there is to hear in a song, before its corrections.

    Parameters
    ----------
    song : Song
        The song file, read.
    audio : mapping of stem name to AudioLike
        The sound of every stem.
    tracks : mapping of stem name to PitchTrack
        f0 of the monophonic stems, and of the melody inside a mix.
    guide : sequence of GuideNote
        The melody of a mix, roughly; its notes are then those of the guide.
    singing : mapping of stem name to Singing, optional
        Where somebody sings in a mix.
    band : mapping of stem name to AudioLike, optional
        What plays in a mix without its voice, as estimated: chords and key are heard in it.
    voices : mapping of stem name to AudioLike, optional
        The voice in a mix, estimated or given: where its notes begin and end.
    """
    return Listened(song, audio, tracks, guide, singing or {}, band or {}, voices or {})
