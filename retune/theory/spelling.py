"""How a key spells a pitch: with the letters of its scale."""

from __future__ import annotations

from functools import lru_cache

from retune.carriers.heard import Key
from retune.theory.keys import degree_of, spell_degree
from retune.theory.pitchnames import PLAIN_NAMES, accidental_semitones

# Names that readers stumble over; outside the scale the plain name stands instead.
_AWKWARD = ("Cb", "Fb", "E#", "B#")


@lru_cache(maxsize=1024)
def spell_pitch_class(pitch_class: int, key: Key | None = None) -> str:
    """Name of a pitch class as the key writes it.

    Notes of the scale by the signature; the others on the letter of their degree
    (`keys.degree_of`: in major b2, b3, #4, b6, b7), but with the plain name where that would be
    a double accidental, Cb, Fb, E# or B#.

    >>> from retune.carriers.heard import Key
    >>> spell_pitch_class(6), spell_pitch_class(6, Key("Db", "major"))
    ('F#', 'Gb')
    """
    if key is None:
        return PLAIN_NAMES[pitch_class % 12]
    degree = degree_of(pitch_class, key)
    name = spell_degree(degree, key)
    if len(degree) > 1 and (len(name) > 2 or name in _AWKWARD):
        return PLAIN_NAMES[pitch_class % 12]
    return name


def pitch_name(midi: int, key: Key | None = None) -> str:
    """Name with octave of a MIDI number, spelled for the key.

    >>> from retune.carriers.heard import Key
    >>> pitch_name(70, Key("Bb", "major")), pitch_name(59, Key("Gb", "major"))
    ('Bb4', 'Cb4')
    """
    name = spell_pitch_class(midi % 12, key)
    letter_midi = midi - accidental_semitones(name[1:])
    return f"{name}{letter_midi // 12 - 1}"
