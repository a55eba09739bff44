"""What is known so far of a song that is being heard, and its notes, which come first."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from retune.analysis.chroma import Spectra, spectra_of
from retune.analysis.corrections import Draft, apply_corrections
from retune.analysis.guided import drafts_of, found_again, guided_notes, mix_notes
from retune.analysis.naming import Tuned, note_weight, song_tuning
from retune.analysis.note_trust import Heard
from retune.analysis.notes import find_notes
from retune.carriers.heard import AudioLike, PitchTrack, Singing
from retune.carriers.songfacts import Song
from retune.carriers.text import FROM_MIX
from retune.song.guide import GuideNote

LATE_START_S = 8.0
NO_GUIDE = (
    "without a guide some notes may be wrong or missing: check them, the doubtful ones first, or "
    "give guide = a CSV (start_s,end_s,pitch), a MIDI file or a recording of the melody hummed or "
    "played"
)


@dataclass
class Work:
    """What is known so far."""

    song: Song
    audio: Mapping[str, AudioLike]
    tracks: Mapping[str, PitchTrack]
    duration_s: float
    guide: Sequence[GuideNote] = ()
    corrected: Sequence[Draft] | None = None
    singing: Mapping[str, Singing] = field(default_factory=dict)
    band: Mapping[str, AudioLike] = field(default_factory=dict)
    drafts: dict[str, list[Draft]] = field(default_factory=dict)
    joined: dict[str, frozenset[float]] = field(default_factory=dict)
    tuned: dict[str, Tuned] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)

    def stems_of(self, *roles: str) -> list[str]:
        """Stems of these roles in which notes were heard. A part inside a mix does not count: it
        is too little sure to name chords or a key by."""
        stems = self.song.stems
        return [n for n in self.drafts if stems[n].role in roles and not stems[n].inside]

    @property
    def weights(self) -> dict[str, float]:
        """How much each stem says of the song's tuning; a part inside a mix nothing."""
        stems = self.song.stems
        return {
            name: 0.0 if stems[name].inside else sum(note_weight(d) for d in drafts)
            for name, drafts in self.drafts.items()
        }

    @property
    def tuning_hz(self) -> float:
        """The song's A4, given or found in its notes."""
        return self.song.music.tuning_hz or song_tuning(self.tuned, self.weights)

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
        return spectra_of(list(self.pitched.values()), tuning_hz=self.tuning_hz)

    @property
    def is_guided(self) -> bool:
        """Whether a person gave the melody of the mix, roughly or note by note."""
        return bool(self.guide) or self.corrected is not None

    def lead(self) -> str | None:
        """The stem whose melody decides phrases and key: the one that rules mean."""
        for roles in (("melody",), ("mix",), ("harmony", "double"), ("bass",)):
            names = [n for n in self.stems_of(*roles) if self.drafts[n]]
            if names:
                return names[0]
        return None

    def named_notes(
        self, start_s: float = -math.inf, end_s: float = math.inf
    ) -> list[tuple[int, float]]:
        """MIDI number and weight of the notes of lead and bass that begin in a span."""
        lead, bass = self.lead(), self.stems_of("bass")
        return [
            (name, note_weight(draft))
            for stem in self.drafts
            if stem == lead or stem in bass
            for name, draft in zip(self.tuned[stem].names, self.drafts[stem], strict=True)
            if start_s <= draft.start_s < end_s
        ]


def hear_notes(work: Work) -> None:
    """Find the notes of every stem that has a track; they go into `work.drafts`."""
    for name in work.song.stems:
        if name not in work.tracks:
            continue
        heard = _heard(work, name)
        drafts = drafts_of(heard)
        if work.song.stems[name].role == "mix" and work.corrected is not None:
            drafts = found_again(work.corrected, heard)
        else:
            drafts, told = apply_corrections(drafts, work.song.corrections, stem=name)
            work.warnings += told
        work.drafts[name] = drafts
        work.joined[name] = frozenset(n.start_s for n in heard if n.joined)
        if not drafts and not work.song.stems[name].inside:
            work.warnings.append(f"stem {name}: no note was heard in it")
    for correction in work.song.corrections:
        if correction.stem not in work.drafts:
            work.warnings.append(
                f'correction "{correction.set}" at {correction.at_s:.2f} s was left out: stem '
                f"{correction.stem} is not read for notes"
            )
    _tell_late_starts(work)


def _heard(work: Work, name: str) -> tuple[Heard, ...]:
    """Notes of one stem; of a mix those of its melody."""
    role, track = work.song.stems[name].role, work.tracks[name]
    if role != "mix":
        return find_notes(track, work.audio.get(name), is_bass=role == "bass")
    work.warnings.append(f"stem {name}: {FROM_MIX}" + ("" if work.is_guided else f"; {NO_GUIDE}"))
    if work.corrected is not None:
        return guided_notes(track, work.corrected)
    return mix_notes(track, work.guide, work.singing.get(name))


def _tell_late_starts(work: Work) -> None:
    stems = work.song.stems
    firsts = {n: d[0].start_s for n, d in work.drafts.items() if d and not stems[n].inside}
    earliest = min(firsts.values(), default=0.0)
    for name, first in firsts.items():
        if first - earliest > LATE_START_S:
            work.warnings.append(
                f"stem {name} starts at {first:.1f} s, {first - earliest:.0f} s after the others: "
                "check that all stems begin at the same moment"
            )
