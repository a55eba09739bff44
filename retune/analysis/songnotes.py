"""The notes of every stem of a song, and what they say of who leads, of tuning and of key."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from retune.analysis.corrections import Draft
from retune.analysis.naming import Tuned, note_weight, song_tuning, tune_stem
from retune.carriers.heard import Key
from retune.carriers.songfacts import Song
from retune.theory.keys import parse_key


@dataclass
class SongNotes:
    """Notes by stem, as heard or as put right by hand; `tuned` the same with tuning taken out."""

    song: Song
    drafts: dict[str, list[Draft]] = field(default_factory=dict)
    tuned: dict[str, Tuned] = field(default_factory=dict)

    @property
    def given_key(self) -> Key | None:
        """The key that the song file gives; None where it is to be found."""
        text = self.song.music.key
        return None if text == "auto" else parse_key(text)

    def tune(self) -> None:
        """Take its own tuning out of every stem, whole semitones settled by a given key."""
        tuning_hz, key = self.song.music.tuning_hz, self.given_key
        for name, drafts in self.drafts.items():
            self.tuned[name] = tune_stem(drafts, tuning_hz=tuning_hz, key=key)

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
        return [(name, weight) for _, name, weight in self.timed_notes(start_s, end_s)]

    def timed_notes(
        self, start_s: float = -math.inf, end_s: float = math.inf
    ) -> list[tuple[float, int, float]]:
        """The same with the time in seconds each begins at."""
        lead, bass = self.lead(), self.stems_of("bass")
        return [
            (draft.start_s, name, note_weight(draft))
            for stem in self.drafts
            if stem == lead or stem in bass
            for name, draft in zip(self.tuned[stem].names, self.drafts[stem], strict=True)
            if start_s <= draft.start_s < end_s
        ]
