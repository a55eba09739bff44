"""What sounds at a moment once a plan's edits of bass and backing are made."""

from __future__ import annotations

from dataclasses import dataclass, replace

from retune.core.carriers import Analysis, Chord, Edit, Key, Note, Plan, StemAnalysis
from retune.core.chords import is_no_chord, roman_of, with_bass
from retune.core.keys import degree_of, spell_degree
from retune.core.pitch import spell_pitch_class


@dataclass(frozen=True)
class Band:
    """The changes that a plan makes to the stems beneath the melody."""

    analysis: Analysis
    plan: Plan

    def backing_shift(self, at_s: float) -> int | None:
        """Semitones that every backing stem moves by there; None where they part ways."""
        shifts = {
            next(
                (
                    round(edit.shift_cents / 100)
                    for edit in self.plan.of_stem(stem.name)
                    if edit.start_s - 1e-6 <= at_s < edit.end_s
                ),
                0,
            )
            for stem in self.analysis.stems.values()
            if stem.role == "backing"
        }
        if not shifts:
            return 0
        return shifts.pop() if len(shifts) == 1 else None

    def bass_at(self, at_s: float) -> tuple[int, bool] | None:
        """Pitch class of the bass note that sounds, and whether the plan moved it."""
        for stem in self.analysis.stems.values():
            if stem.role == "bass":
                note = sounding_note(stem, at_s)
                if note is not None:
                    edit = edit_of(self.plan, stem.name, note)
                    moved = round(edit.shift_cents / 100) if edit else 0
                    return (note.midi_name + moved) % 12, moved % 12 != 0
        return None

    def chord(self, chord: Chord | None, at_s: float) -> Chord | None:
        """The chord with backing and bass as the plan has them; None where it has no name."""
        if chord is None or is_no_chord(chord):
            return chord
        shift = self.backing_shift(at_s)
        if shift is None:
            return None
        key = self.analysis.key_at(at_s)
        moved = transposed(chord, shift, key) if shift % 12 else chord
        bass = self.bass_at(at_s)
        # An unmoved bass keeps its pitch even when the backing leaves it.
        if bass is not None and (bass[1] or shift % 12):
            return with_bass(moved, bass[0], key)
        return moved

    def touches(self, at_s: float) -> bool:
        """Whether bass or backing is moved at that moment."""
        bass = self.bass_at(at_s)
        return self.backing_shift(at_s) != 0 or bool(bass and bass[1])


def edit_of(plan: Plan, stem: str, note: Note) -> Edit | None:
    """The edit that moves a note, if any."""
    return next((e for e in plan.edits if e.stem == stem and e.note == note.index), None)


def sounding_note(stem: StemAnalysis, at_s: float) -> Note | None:
    """The note of a stem that sounds at a moment."""
    return next((n for n in stem.notes if n.start_s - 0.03 <= at_s < n.end_s), None)


def transposed(chord: Chord, semitones: int, key: Key | None) -> Chord:
    """A chord moved as a whole, its label and numeral renewed."""
    root = (chord.root_pc + semitones) % 12
    name = spell_degree(degree_of(root, key), key) if key else spell_pitch_class(root)
    rest = chord.label.partition(":")[2]
    moved = replace(
        chord,
        root_pc=root,
        bass_pc=(chord.bass_pc + semitones) % 12,
        tones=tuple(((pc + semitones) % 12, member) for pc, member in chord.tones),
        label=f"{name}:{rest}",
        typed="",
        roman="",
    )
    return replace(moved, roman=roman_of(moved, key)) if key else moved


def chord_words(chord: Chord, key: Key | None) -> str:
    """A chord as people write it: lead-sheet root, quality and bass, "Bb", "F7/A", "Gm"."""
    if is_no_chord(chord):
        return "no chord"
    if chord.typed and chord.typed[:1] in "ABCDEFG" and ":" not in chord.typed:
        return chord.typed
    root, _, quality = chord.label.partition(":")
    quality, _, bass = quality.partition("/")
    short = {"maj": "", "min": "m", "min7": "m7", "maj6": "6", "min6": "m6", "hdim7": "m7b5"}
    text = root + short.get(quality, quality)
    if not bass:
        return text
    pitch_class = chord.bass_pc
    name = spell_degree(degree_of(pitch_class, key), key) if key else spell_pitch_class(pitch_class)
    return f"{text}/{name}"
