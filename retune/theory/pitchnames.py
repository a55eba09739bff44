"""Names of pitches: letters, accidentals and octaves. C4 is MIDI 60."""

from __future__ import annotations

import re
from functools import lru_cache

from retune.carriers.errors import InputError

LETTERS = "CDEFGAB"
LETTER_SEMITONES = dict(zip(LETTERS, (0, 2, 4, 5, 7, 9, 11), strict=True))
# Spelling where no key is known: the commoner of each pair of names.
PLAIN_NAMES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")
_PITCH = re.compile(r"([A-G])(b{0,2}|#{0,2})(-?\d+)")
_CLASS = re.compile(r"([A-G])(b{0,2}|#{0,2})")


def ascii_accidentals(text: str) -> str:
    """Real accidental signs as ASCII "b" and "#"."""
    return text.replace("♭", "b").replace("♯", "#").replace("𝄫", "bb").replace("𝄪", "##")


def accidental_semitones(marks: str) -> int:
    """ "b" is -1, "##" is 2, "" is 0."""
    return marks.count("#") - marks.count("b")


def letter_steps(name: str) -> int:
    """A place on the staff, counted in letters from C0: two places a sixth apart differ by five.

    Raises
    ------
    InputError
        Not a letter, accidentals and an octave.

    >>> letter_steps("C4"), letter_steps("Ab4") - letter_steps("C4")
    (28, 5)
    """
    match = _PITCH.fullmatch(ascii_accidentals(name))
    if match is None:
        raise InputError(f'"{name}" is not a note name; write it like Bb4 or F#3')
    return LETTERS.index(match[1]) + len(LETTERS) * int(match[3])


@lru_cache(maxsize=512)
def pitch_class_of(name: str) -> int:
    """Pitch class (C = 0) of a name without octave.

    Raises
    ------
    InputError
        Not a letter A to G with at most two accidentals.

    >>> pitch_class_of("Bb"), pitch_class_of("Cb")
    (10, 11)
    """
    match = _CLASS.fullmatch(ascii_accidentals(name))
    if match is None:
        raise InputError(f'"{name}" is not a pitch name; write a letter A to G with b or #')
    return (LETTER_SEMITONES[match[1]] + accidental_semitones(match[2])) % 12


def parse_pitch_name(name: str) -> int:
    """MIDI number of a name with octave.

    Raises
    ------
    InputError
        Not a letter, accidentals and an octave, or outside MIDI 0 to 127.

    >>> parse_pitch_name("A4"), parse_pitch_name("Cb4"), parse_pitch_name("B#3")
    (69, 59, 60)
    """
    match = _PITCH.fullmatch(ascii_accidentals(name))
    if match is None:
        raise InputError(f'"{name}" is not a note name; write it like Bb4 or F#3')
    letter, marks, octave = match.groups()
    midi = 12 * (int(octave) + 1) + LETTER_SEMITONES[letter] + accidental_semitones(marks)
    if not 0 <= midi <= 127:
        raise InputError(f'"{name}" is outside the range C-1 to G9')
    return midi
