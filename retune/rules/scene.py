"""A song before and after a plan: pitches, chords and roles of every note on both sides."""

from __future__ import annotations

import itertools
from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from retune.carriers.changes import Edit, Plan
from retune.carriers.heard import Analysis, Chord, Note, StemAnalysis
from retune.rules.sounding import INSIDE_S, Band, inside
from retune.song.moved import note_after
from retune.theory.chordnames import chord_name
from retune.theory.noteroles import Placed, chord_roles
from retune.theory.spelling import pitch_name

# How a role is said before "of" or "over" a chord.
_ROLE_WORDS = {
    "passing": "passing note",
    "neighbour": "neighbour note",
    "escape": "escape note",
    "pedal": "pedal note",
    "unresolved": "unresolved non-chord tone",
}
MEMBERS = ("root", "third", "fifth", "seventh", "extension")


@dataclass(frozen=True, eq=False)
class Scene:
    """A song and a plan, looked at from both sides."""

    analysis: Analysis
    plan: Plan

    @cached_property
    def band(self) -> Band:
        return Band(self.analysis, self.plan)

    @cached_property
    def _edits(self) -> Mapping[tuple[str, int], Edit]:
        return {(e.stem, e.note): e for e in self.plan.edits if e.note is not None}

    @cached_property
    def voices(self) -> tuple[StemAnalysis, ...]:
        """The stems whose single notes move."""
        named = {stem for stem, _ in self._edits}
        return tuple(stem for name, stem in self.analysis.stems.items() if name in named)

    @cached_property
    def sung(self) -> tuple[StemAnalysis, ...]:
        """The stems with notes that are heard above the band."""
        roles = ("melody", "mix", "harmony")
        return tuple(s for s in self.analysis.stems.values() if s.role in roles and s.notes)

    @cached_property
    def _beats(self) -> tuple[tuple[float, ...], tuple[float, ...]]:
        downbeats = self.analysis.bars.downbeats_s
        lengths = [
            (b - a) / self.analysis.bars.beats_per_bar for a, b in itertools.pairwise(downbeats)
        ]
        return tuple(downbeats), tuple(lengths)

    @cached_property
    def _chord_starts(self) -> tuple[float, ...]:
        return tuple(chord.start_s for chord in self.analysis.chords)

    def edit(self, stem: StemAnalysis, note: Note) -> Edit | None:
        """The edit that moves a note, if any."""
        return self._edits.get((stem.name, note.index))

    @cached_property
    def _later(self) -> Mapping[int, Note]:
        """By identity, the notes that move in time, as they lie then."""
        found = {}
        for (stem, index), edit in self._edits.items():
            if edit.moves_in_time:
                note = self.analysis.stems[stem].note(index)
                found[id(note)] = note_after(note, edit, self.analysis)
        return found

    def after(self, note: Note) -> Note:
        """The note as it lies in time in the variant."""
        return self._later.get(id(note), note)

    def midi_after(self, stem: StemAnalysis, note: Note) -> int:
        """The note's name as a MIDI number in the variant."""
        edit = self.edit(stem, note)
        return note.midi_name + (round(edit.shift_cents / 100) if edit else 0)

    def moved(self, stem: StemAnalysis) -> Iterator[Note]:
        """The notes of a stem that the plan moves, in order."""
        return (note for note in stem.notes if self.edit(stem, note) is not None)

    def pairs(self, stem: StemAnalysis) -> Iterator[tuple[Note, Note]]:
        """Notes that follow each other within a phrase."""
        for first, second in zip(stem.notes, stem.notes[1:], strict=False):
            if first.phrase == second.phrase:
                yield first, second

    def chord_after(self, note: Note) -> Chord | None:
        """The chord a note is judged by, with the plan's band beneath it."""
        note = self.after(note)
        return self.band.chord(note.chord, judged_at(note))

    # roles ---------------------------------------------------------------------------------

    @cached_property
    def roles(self) -> Mapping[tuple[str, int], tuple[str | None, str | None]]:
        """(stem, note) to the chord role before and after, by the same reasoning on both sides;
        for the stems that are sung or that move."""
        found: dict[tuple[str, int], tuple[str | None, str | None]] = {}
        for stem in dict.fromkeys((*self.sung, *self.voices)):
            before = chord_roles([self._placed(stem, note, after=False) for note in stem.notes])
            after = chord_roles([self._placed(stem, note, after=True) for note in stem.notes])
            for note, pair in zip(stem.notes, zip(before, after, strict=True), strict=True):
                found[stem.name, note.index] = pair
        return found

    def _placed(self, stem: StemAnalysis, note: Note, *, after: bool) -> Placed:
        midi = self.midi_after(stem, note) if after else note.midi_name
        note = self.after(note) if after else note
        beat_s = self._beat_s(note.start_s)
        onset, end = note.chord_at_onset or note.chord, note.chord_at_end or note.chord
        coming = self._coming(note, onset, beat_s)
        if after:
            onset = self.band.chord(onset, note.start_s + INSIDE_S)
            end = self.band.chord(end, max(note.start_s, note.end_s - INSIDE_S))
            coming = self.band.chord(coming, coming.start_s + INSIDE_S) if coming else None
        return Placed(
            note.start_s,
            note.end_s,
            midi,
            onset,
            end,
            coming,
            note.is_phrase_ending,
            beat_s,
            note.phrase or 0,
        )

    def _coming(self, note: Note, onset: Chord | None, beat_s: float) -> Chord | None:
        """The chord that begins within half a beat after a note's onset."""
        loose = min(beat_s / 8, (note.end_s - note.start_s) / 4)
        if onset is None or onset.end_s > note.start_s + beat_s / 2 + loose:
            return None
        place = bisect_right(self._chord_starts, onset.end_s + 1e-6) - 1
        chord = self.analysis.chords[place] if place >= 0 else None
        return chord if chord is not None and chord.end_s > onset.end_s + 1e-6 else None

    def _beat_s(self, at_s: float) -> float:
        downbeats, lengths = self._beats
        if not lengths:
            return 0.5
        return lengths[min(max(bisect_right(downbeats, at_s) - 1, 0), len(lengths) - 1)]

    # words ---------------------------------------------------------------------------------

    def name(self, midi: int, at_s: float) -> str:
        """A pitch as the key of the moment writes it."""
        return pitch_name(midi, self.analysis.key_at(at_s))


def judged_at(note: Note) -> float:
    """A moment of the chord that a note is judged by: near the end of a phrase ending, else near
    the onset, and inside that chord for whoever comes early or holds on."""
    end_s = max(note.start_s, note.end_s - INSIDE_S)
    at_s = end_s if note.is_phrase_ending else note.start_s + INSIDE_S
    return at_s if note.chord is None else inside(note.chord, at_s)


def with_roles(scene: Scene) -> Plan:
    """The plan with `role_after` of every moved note, over the chord that bass and backing make
    and beside the neighbours that the plan leaves it."""
    roles = scene.roles
    edits = [
        edit if edit.note is None else replace(edit, role_after=roles[edit.stem, edit.note][1])
        for edit in scene.plan.edits
    ]
    return replace(scene.plan, edits=tuple(edits))


def place(note: Note) -> str:
    """Where a note is, to begin a sentence with."""
    return bar_words(note.bar, note.start_s)


def bar_words(bar: int | None, at_s: float) -> str:
    """ "Bar 8", "The pickup", or "12.5 s" where bars are not known."""
    if bar is None:
        return f"{at_s:.1f} s"
    return f"Bar {bar}" if bar else "The pickup"


def role_words(role: str | None, chord: Chord) -> str:
    """ "third of F7" or "passing note over F7"."""
    if role in MEMBERS:
        return f"{role} of {chord_name(chord)}"
    return f"{_ROLE_WORDS.get(role or '', role or 'note')} over {chord_name(chord)}"


def listed(words: Sequence[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1]))) if words else ""
