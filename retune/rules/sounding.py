"""What sounds at a moment once a plan's edits of bass and backing are made."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

from retune.carriers.changes import Edit, Plan
from retune.carriers.heard import Analysis, Chord, Key, KeySpan, Note, StemAnalysis
from retune.song.lifted import keys_after
from retune.song.moved import note_after
from retune.theory.chords import is_no_chord, parse_chord, roman_of, with_bass
from retune.theory.spelling import spell_pitch_class

EARLY_S = 0.03
"""A note is taken to sound this much before its onset: hands are never quite together."""

INSIDE_S = 0.02
"""How far inside a note, or a chord, it is asked what sounds."""


@dataclass(frozen=True, eq=False)
class Band:
    """The changes that a plan makes to the stems beneath the melody."""

    analysis: Analysis
    plan: Plan

    @cached_property
    def _backing(self) -> tuple[tuple[Edit, ...], ...]:
        """Per backing stem the spans that move."""
        return tuple(
            self.plan.of_stem(stem.name)
            for stem in self.analysis.stems.values()
            if stem.role == "backing"
        )

    @cached_property
    def bass(self) -> StemAnalysis | None:
        """The bass stem in which notes were heard."""
        stems = self.analysis.stems.values()
        stem = next((stem for stem in stems if stem.role == "bass" and stem.notes), None)
        return None if stem is None else self._in_time(stem)

    def _in_time(self, stem: StemAnalysis) -> StemAnalysis:
        """The stem with its notes where the plan has them in time, at their own pitch."""
        edits = {edit.note: edit for edit in self.plan.of_stem(stem.name) if edit.moves_in_time}
        if not edits:
            return stem
        notes = (note_after(n, edits.get(n.index), self.analysis) for n in stem.notes)
        return replace(stem, notes=tuple(notes))

    @cached_property
    def keys(self) -> tuple[KeySpan, ...]:
        """The keys in the variant: where melody and band are lifted as one, the key is too."""
        return keys_after(self.analysis, self.plan.edits)

    def key_at(self, at_s: float) -> Key | None:
        """The key in force at a time of the variant."""
        reached = [span.key for span in self.keys if span.start_s <= at_s + 1e-9]
        return reached[-1] if reached else self.analysis.key_at(at_s)

    @cached_property
    def _moves_in_time(self) -> bool:
        return self.bass is not None and any(
            edit.moves_in_time for edit in self.plan.of_stem(self.bass.name)
        )

    @cached_property
    def _bass_shifts(self) -> Mapping[int, int]:
        if self.bass is None:
            return {}
        edits = self.plan.of_stem(self.bass.name)
        return {e.note: round(e.shift_cents / 100) for e in edits if e.note is not None}

    @cached_property
    def is_still(self) -> bool:
        """Whether the plan moves neither bass nor backing."""
        bass_is_still = not self._bass_shifts and not self._moves_in_time
        return not any(self._backing) and bass_is_still

    @cached_property
    def _bass_onsets(self) -> tuple[float, ...]:
        return tuple(note.start_s for note in self.bass.notes) if self.bass else ()

    def backing_shift(self, at_s: float) -> int | None:
        """Semitones that every backing stem moves by there; None where they part ways."""
        shifts = {_shift_at(edits, at_s) for edits in self._backing}
        if len(shifts) > 1:
            return None
        return shifts.pop() if shifts else 0

    def bass_note(self, at_s: float) -> Note | None:
        """The bass note that sounds at a moment."""
        place = bisect_right(self._bass_onsets, at_s + EARLY_S) - 1
        if self.bass is None or place < 0 or at_s >= self.bass.notes[place].end_s:
            return None
        return self.bass.notes[place]

    def bass_shift(self, at_s: float) -> int:
        """Semitones that the bass note sounding there moves by; 0 where the bass rests."""
        note = self.bass_note(at_s)
        return self._bass_shifts.get(note.index, 0) if note else 0

    def _bass_moves(self, at_s: float) -> bool:
        """Whether another bass sounds there than before."""
        if not self._moves_in_time or self.bass is None:
            return self.bass_shift(at_s) % 12 != 0
        now = self.bass_pc(at_s)
        onset_s = at_s + EARLY_S
        first = self.analysis.stems[self.bass.name].notes
        was = [n.midi_name % 12 for n in first if n.start_s <= onset_s and at_s < n.end_s][-1:]
        return now is not None and was != [now]

    def bass_pc(self, at_s: float) -> int | None:
        """Pitch class of the bass as the plan has it."""
        note = self.bass_note(at_s)
        return (note.midi_name + self._bass_shifts.get(note.index, 0)) % 12 if note else None

    def chord(self, chord: Chord | None, at_s: float) -> Chord | None:
        """The chord with backing and bass as the plan has them; None where backing stems part.

        Without a backing stem the chord stays, over the bass that the plan gives it. An unmoved
        bass keeps its pitch when the backing leaves it. Looked for inside the chord: who sings a
        little before or beyond it still means it.
        """
        if chord is None or is_no_chord(chord) or self.is_still:
            return chord
        at_s = inside(chord, at_s)
        shift = self.backing_shift(at_s)
        if shift is None:
            return None
        if not self._bass_moves(at_s) and shift % 12 == 0:
            return chord
        return _sounding(chord, shift, self.bass_pc(at_s), self.key_at(at_s))

    def touches(self, at_s: float) -> bool:
        """Whether bass or backing is moved at that moment."""
        if self.is_still:
            return False
        return self.backing_shift(at_s) != 0 or self._bass_moves(at_s)


def inside(chord: Chord, at_s: float) -> float:
    """The moment nearest to `at_s` that lies well inside a chord."""
    if chord.end_s - chord.start_s <= 2 * INSIDE_S:
        return at_s
    return min(max(at_s, chord.start_s + INSIDE_S), chord.end_s - INSIDE_S)


def _shift_at(edits: tuple[Edit, ...], at_s: float) -> int:
    cents = (e.shift_cents for e in edits if e.start_s - 1e-6 <= at_s < e.end_s)
    return round(next(cents, 0.0) / 100)


@lru_cache(maxsize=4096)
def _sounding(chord: Chord, shift: int, bass_pc: int | None, key: Key | None) -> Chord:
    """A chord moved as a whole, over a bass where one is given. A bass from outside the chord
    makes another chord of it where one has that name (F over D is Dm7)."""
    moved = transposed(chord, shift, key) if shift % 12 else chord
    if bass_pc is None:
        return moved
    if moved.role_of(bass_pc) is None:
        classes = frozenset(pc for pc, _ in moved.tones) | {bass_pc}
        named = named_sonority(classes, bass_pc, key)
        if named is not None:
            return replace(named, start_s=chord.start_s, end_s=chord.end_s)
    return with_bass(moved, bass_pc, key)


_NAMED = ("maj", "min", "7", "maj7", "min7", "hdim7", "dim7", "dim", "aug", "minmaj7", "sus4")
"""Harte shorthands of the triads and sevenths that a sonority is named by, in this order."""


@lru_cache(maxsize=1024)
def named_sonority(classes: frozenset[int], bass_pc: int, key: Key | None) -> Chord | None:
    """The triad or seventh chord of exactly these pitch classes, in the position that the bass
    gives it; None where no such chord has them. The bass is tried as the root first."""
    for root in sorted(classes, key=lambda pc: (pc - bass_pc) % 12):
        for shorthand in _NAMED:
            chord = parse_chord(f"{spell_pitch_class(root, key)}:{shorthand}", key)
            if {pc for pc, _ in chord.tones} == classes:
                return with_bass(replace(chord, typed=""), bass_pc, key)
    return None


def transposed(chord: Chord, semitones: int, key: Key | None) -> Chord:
    """A chord moved as a whole, its label and numeral renewed."""
    root = (chord.root_pc + semitones) % 12
    name = spell_pitch_class(root, key)
    moved = replace(
        chord,
        root_pc=root,
        bass_pc=(chord.bass_pc + semitones) % 12,
        tones=tuple(((pc + semitones) % 12, member) for pc, member in chord.tones),
        label=f"{name}:{chord.label.partition(':')[2]}",
        typed="",
        roman="",
    )
    return replace(moved, roman=roman_of(moved, key)) if key else moved
