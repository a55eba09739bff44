"""Keys, their scales, and scale degrees in the key's own digits.

In A minor "7" is G and "#7" is G sharp; in C major "b7" is B flat. Names of modes and their
scales are common practice, no source.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Literal

from retune.carriers.errors import InputError
from retune.carriers.heard import Key, KeySpan
from retune.theory.pitchnames import (
    LETTER_SEMITONES,
    LETTERS,
    PLAIN_NAMES,
    accidental_semitones,
    ascii_accidentals,
    pitch_class_of,
)

MODES: Mapping[str, tuple[int, ...]] = MappingProxyType(
    {
        "major": (0, 2, 4, 5, 7, 9, 11),
        "minor": (0, 2, 3, 5, 7, 8, 10),
        "dorian": (0, 2, 3, 5, 7, 9, 10),
        "phrygian": (0, 1, 3, 5, 7, 8, 10),
        "lydian": (0, 2, 4, 6, 7, 9, 11),
        "mixolydian": (0, 2, 4, 5, 7, 9, 10),
        "locrian": (0, 1, 3, 5, 6, 8, 10),
    }
)
"""Semitones of the seven degrees above the tonic."""

# How the five notes outside the scale are called: by the alteration a score would most often
# write in that mode (common practice, no source).
_CHROMATIC: Mapping[str, Mapping[int, str]] = {
    "major": {1: "b2", 3: "b3", 6: "#4", 8: "b6", 10: "b7"},
    "minor": {1: "b2", 4: "#3", 6: "#4", 9: "#6", 11: "#7"},
    "dorian": {1: "b2", 4: "#3", 6: "#4", 8: "b6", 11: "#7"},
    "phrygian": {2: "#2", 4: "#3", 6: "#4", 9: "#6", 11: "#7"},
    "lydian": {1: "b2", 3: "b3", 5: "b4", 8: "b6", 10: "b7"},
    "mixolydian": {1: "b2", 3: "b3", 6: "#4", 8: "b6", 11: "#7"},
    "locrian": {2: "#2", 4: "#3", 7: "#5", 9: "#6", 11: "#7"},
}
# Other names of modes, offered as the ones that are read.
_LONG_MODES = {"ionian": "major", "aeolian": "minor", "m": "minor"}
_SHORT_MODES = {"maj": "major", "min": "minor"}
_DEGREE = re.compile(r"(b{0,2}|#{0,2})([1-7])")
Direction = Literal["above", "below"]


def parse_key(text: str) -> Key:
    """A key from words such as "Bb major", "F# dorian" or, shortened, "D min".

    Raises
    ------
    InputError
        No such tonic or mode; says the modes there are and the nearest.
    """
    words = ascii_accidentals(text).split()
    if len(words) != 2:
        raise InputError(f'"{text}" is not a key; write tonic and mode, such as "{_nearest(text)}"')
    tonic, mode = words[0][:1].upper() + words[0][1:], words[1].lower()
    mode = _SHORT_MODES.get(mode, mode)
    if mode not in MODES:
        near = difflib.get_close_matches(_LONG_MODES.get(mode, mode), list(MODES), n=1)
        hint = f'; did you mean "{near[0]}"?' if near else ""
        raise InputError(f'"{words[1]}" is not a mode; use one of {", ".join(MODES)}{hint}')
    try:
        pitch_class_of(tonic)
    except InputError:
        raise InputError(
            f'"{words[0]}" is not a tonic; write a letter A to G with b or #'
        ) from None
    return Key(tonic, mode)


def _nearest(text: str) -> str:
    """The key that "Am" or "Ebmaj" seems to mean, else an example."""
    match = re.fullmatch(r"([A-Ga-g][b#]?)\s*[:-]?\s*(m|min|maj|[a-z]*)", ascii_accidentals(text))
    if match is None:
        return "Bb major"
    mode = {"": "major", "maj": "major", "m": "minor", "min": "minor"}.get(match[2], match[2])
    return f"{match[1][0].upper()}{match[1][1:]} {mode if mode in MODES else 'major'}"


def home_at(spans: Sequence[KeySpan], time_s: float) -> Key | None:
    """The key that counts as home at a time: the song's first, until it goes to a key from which
    it does not come back (a key lift); then that one.

    >>> lift = (KeySpan(0.0, Key("C", "major")), KeySpan(9.0, Key("D", "major")))
    >>> str(home_at(lift, 10.0)), str(home_at((*lift, KeySpan(20.0, Key("C", "major"))), 10.0))
    ('D major', 'C major')
    """
    home = spans[0].key if spans else None
    for place, span in enumerate(spans):
        if span.start_s > time_s + 1e-9:
            break
        if all(later.key != home for later in spans[place:]):
            home = span.key
    return home


def tonic_pc(key: Key) -> int:
    """Pitch class of the tonic."""
    return pitch_class_of(key.tonic)


def scale_semitones(key: Key) -> tuple[int, ...]:
    """Semitones of the seven degrees above the tonic."""
    return MODES[key.mode]


def is_minor_like(key: Key) -> bool:
    """Whether the mode's third is minor."""
    return MODES[key.mode][2] == 3


def degree_of(midi: int, key: Key) -> str:
    """The degree of a pitch (or pitch class) in a key.

    >>> degree_of(10, Key("C", "major")), degree_of(68, Key("A", "minor"))
    ('b7', '#7')
    """
    semitone = (midi - tonic_pc(key)) % 12
    scale = MODES[key.mode]
    return str(scale.index(semitone) + 1) if semitone in scale else _CHROMATIC[key.mode][semitone]


def parse_degree(text: str) -> tuple[int, int]:
    """(alteration in semitones, digit) of a degree such as "b3".

    Raises
    ------
    InputError
        Not 1 to 7 with at most two flats or sharps.
    """
    match = _DEGREE.fullmatch(ascii_accidentals(text))
    if match is None:
        raise InputError(f'"{text}" is not a degree; degrees are 1 to 7, with b or # before them')
    return accidental_semitones(match[1]), int(match[2])


def degree_semitone(degree: str, key: Key) -> int:
    """Semitones of a degree above the tonic, 0 to 11.

    >>> degree_semitone("#4", Key("Bb", "major")), degree_semitone("7", Key("A", "minor"))
    (6, 10)
    """
    alteration, digit = parse_degree(degree)
    return (MODES[key.mode][digit - 1] + alteration) % 12


def degree_pc(degree: str, key: Key) -> int:
    """Pitch class of a degree."""
    return (tonic_pc(key) + degree_semitone(degree, key)) % 12


def spell_degree(degree: str, key: Key) -> str:
    """Name of a degree's pitch class, its letter that of the digit; the plain name where that
    would take three accidentals.

    >>> spell_degree("#7", Key("A", "minor")), spell_degree("b3", Key("Bb", "major"))
    ('G#', 'Db')
    """
    _, digit = parse_degree(degree)
    letter = LETTERS[(LETTERS.index(key.tonic[0]) + digit - 1) % 7]
    distance = (degree_pc(degree, key) - LETTER_SEMITONES[letter] + 6) % 12 - 6
    if abs(distance) > 2:
        return PLAIN_NAMES[degree_pc(degree, key) % 12]
    return letter + ("#" * distance if distance > 0 else "b" * -distance)


def nearest_midi_of_class(
    pitch_class: int, near_midi: int, direction: Direction | None = None
) -> int:
    """The pitch of a class nearest to another; a tie (a tritone) goes down.

    `direction` "above" or "below" asks for the next one strictly on that side.
    """
    up = (pitch_class - near_midi) % 12
    if direction == "above":
        return near_midi + (up or 12)
    if direction == "below":
        return near_midi - ((12 - up) or 12)
    return near_midi + (up if up < 6 else up - 12)


def nearest_midi_of_degree(
    degree: str, key: Key, near_midi: int, direction: Direction | None = None
) -> int:
    """The pitch of a degree nearest to another; a tie goes down (see `nearest_midi_of_class`)."""
    return nearest_midi_of_class(degree_pc(degree, key), near_midi, direction)


def in_scale(midi: int, key: Key) -> bool:
    """Whether a pitch is a tone of the key's scale."""
    return (midi - tonic_pc(key)) % 12 in scale_semitones(key)


def step_in_scale(midi: int, key: Key, steps: int) -> int:
    """The pitch `steps` scale steps up (or down); from a chromatic note the first step goes to
    the next scale note on that side.

    >>> step_in_scale(60, Key("C", "major"), 2), step_in_scale(61, Key("C", "major"), -1)
    (64, 60)
    """
    classes = {(tonic_pc(key) + semitone) % 12 for semitone in MODES[key.mode]}
    way = 1 if steps > 0 else -1
    for _ in range(abs(steps)):
        midi += way
        while midi % 12 not in classes:
            midi += way
    return midi
