"""How a key spells a pitch: with the letters of its scale."""

from __future__ import annotations

from functools import lru_cache

from retune.carriers.heard import Chord, Key
from retune.theory.chordparts import degree_number, degree_semitones, read_harte
from retune.theory.keys import degree_of, degree_pc, spell_degree
from retune.theory.pitchnames import (
    LETTER_SEMITONES,
    LETTERS,
    PLAIN_NAMES,
    accidental_semitones,
    pitch_class_of,
)

# Names that readers stumble over; outside the scale the plain name stands instead.
_AWKWARD = ("Cb", "Fb", "E#", "B#")


@lru_cache(maxsize=1024)
def spell_pitch_class(pitch_class: int, key: Key | None = None) -> str:
    """Name of a pitch class as the key writes it.

    Notes of the scale by the signature; the others on the letter of their degree
    (`keys.degree_of`: in major b2, b3, #4, b6, b7), but with the plain name where that would be
    a double accidental, Cb, Fb, E# or B#. The leading tone keeps its letter: E sharp in F sharp
    minor, F double sharp in G sharp minor.

    >>> spell_pitch_class(6), spell_pitch_class(6, Key("Db", "major"))
    ('F#', 'Gb')
    """
    if key is None:
        return PLAIN_NAMES[pitch_class % 12]
    degree = degree_of(pitch_class, key)
    name = spell_degree(degree, key)
    if degree != "#7" and len(degree) > 1 and (len(name) > 2 or name in _AWKWARD):
        return PLAIN_NAMES[pitch_class % 12]
    return name


def pitch_name(midi: int, key: Key | None = None, chord: Chord | None = None) -> str:
    """Name with octave of a MIDI number: a note of the scale as the key writes it, a chromatic tone
    of the chord as the chord does (G sharp over E7 in C), the others as the key calls them.

    >>> pitch_name(70, Key("Bb", "major")), pitch_name(59, Key("Gb", "major"))
    ('Bb4', 'Cb4')
    """
    name = _in_chord(midi % 12, key, chord) or spell_pitch_class(midi % 12, key)
    return with_octave(name, midi)


def with_octave(name: str, midi: int) -> str:
    """The name of a pitch class with the octave that a MIDI number lies in, that of its letter.

    >>> with_octave("B#", 60), with_octave("Cb", 59)
    ('B#3', 'Cb4')
    """
    letter_midi = midi - accidental_semitones(name[1:])
    return f"{name}{letter_midi // 12 - 1}"


def degree_of_name(name: str, key: Key) -> str:
    """The degree that a spelled pitch is, on its own letter where it is a chromatic one that the
    key would not write so itself.

    >>> degree_of_name("G#4", Key("C", "major")), degree_of_name("Ab4", Key("C", "major"))
    ('#5', 'b6')
    """
    bare = name.rstrip("-0123456789")
    degree = degree_of(pitch_class_of(bare), key)
    if len(degree) == 1 or bare == spell_pitch_class(pitch_class_of(bare), key):
        return degree
    digit = (LETTERS.index(bare[0]) - LETTERS.index(key.tonic[0])) % 7 + 1
    spelled = (f"{marks}{digit}" for marks in ("b", "#", "bb", "##"))
    pitch_class = pitch_class_of(bare)
    return next((d for d in spelled if degree_pc(d, key) == pitch_class), degree)


def _in_chord(pitch_class: int, key: Key | None, chord: Chord | None) -> str:
    """The name of a chromatic tone by its place in the chord; "" for others, or where that would
    take a double accidental."""
    if key is None or chord is None or chord.role_of(pitch_class) is None:
        return ""
    if len(degree_of(pitch_class, key)) == 1:
        return ""
    parts = read_harte(chord.label)
    for degree in parts.degrees:
        if (parts.root_pc + degree_semitones(degree)) % 12 == pitch_class:
            letter = LETTERS[(LETTERS.index(parts.root[0]) + degree_number(degree) - 1) % 7]
            distance = (pitch_class - LETTER_SEMITONES[letter] + 6) % 12 - 6
            plain = abs(distance) <= 1
            return letter + ("b", "", "#")[distance + 1] if plain else ""
    return ""
