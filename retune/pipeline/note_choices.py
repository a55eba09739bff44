"""Where one note of the melody may go, pitch by pitch, for somebody who drags it."""

from __future__ import annotations

from dataclasses import dataclass

from retune.carriers.errors import UsageError
from retune.carriers.heard import Analysis, Note
from retune.theory.chords import is_no_chord
from retune.theory.keys import degree_of, scale_semitones, tonic_pc
from retune.theory.spelling import pitch_name

REACH = 12  # semitones; no engine moves a note further


@dataclass(frozen=True)
class Choice:
    """A pitch: MIDI number, name, degree in the key there (None without one), what it is of the
    chord ("" where it is none of its tones, None without a chord), whether it is in the scale."""

    midi: int
    name: str
    degree: str | None
    member: str | None
    in_scale: bool


@dataclass(frozen=True)
class Choices:
    """The pitches that a note may take, lowest first, the chord they are judged by, and how a rule
    names the note."""

    note: int
    midi: int
    place: str
    chord: str
    pitches: tuple[Choice, ...]


def choices_for(analysis: Analysis, index: int) -> Choices:
    """The choices for a note of the melody by its number. Raises UsageError for no such note."""
    from retune.rules import place_of

    stem = analysis.melody
    if stem is None or not 1 <= index <= len(stem.notes):
        raise UsageError(f"the melody has no note {index}")
    note = stem.note(index)
    chord = note.chord if note.chord is not None and not is_no_chord(note.chord) else None
    middle = note.midi_name
    pitches = tuple(
        _choice(analysis, note, midi)
        for midi in range(max(middle - REACH, 0), min(middle + REACH, 127) + 1)
    )
    shown = "" if chord is None else chord.typed or chord.label
    return Choices(index, middle, str(place_of(note, stem, analysis)), shown, pitches)


def _choice(analysis: Analysis, note: Note, midi: int) -> Choice:
    key, chord = analysis.key_at(note.start_s), note.chord
    known = chord is not None and not is_no_chord(chord)
    member = dict(chord.tones).get(midi % 12, "") if chord is not None and known else None
    name = note.name if midi == note.midi_name else pitch_name(midi, key, chord)
    inside = key is not None and (midi - tonic_pc(key)) % 12 in scale_semitones(key)
    return Choice(midi, name, None if key is None else degree_of(midi, key), member, inside)
