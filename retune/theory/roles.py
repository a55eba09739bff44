"""What a pitch is in its chord, and how a phrase ends."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from retune.carriers.heard import Chord, Ending, Key
from retune.theory.blues import is_tonic_seventh
from retune.theory.chords import (
    acts_as_dominant,
    fifth_semitone,
    is_no_chord,
    is_root_position,
    is_tonic_chord,
    third_semitone,
)
from retune.theory.keys import degree_of, parse_degree, scale_semitones, tonic_pc
from retune.theory.romannames import natural_triads


def chord_member(midi: int, chord: Chord | None) -> str | None:
    """ "root", "third", "fifth", "seventh", "extension" for a tone the chord holds, else None."""
    return None if chord is None else chord.role_of(midi % 12)


def member_over(midi: int, chord: Chord | None, key: Key | None) -> str | None:
    """What `chord_member` says, else "third" or "fifth" for that tone of the dominant which a chord
    on another root stands for: D over F/G in C is the fifth of V (common practice, no source).

    >>> from retune.theory.chords import parse_chord
    >>> member_over(62, parse_chord("F/G"), Key("C", "major"))
    'fifth'
    """
    member = chord_member(midi, chord)
    if member is not None or key is None or not acts_as_dominant(chord, key):
        return member
    above = (midi - tonic_pc(key) - _DOMINANT) % 12
    stands_for_it = chord is not None and (chord.root_pc - tonic_pc(key)) % 12 != _DOMINANT
    return {4: "third", 7: "fifth"}.get(above) if stands_for_it else None


def is_chord_tone(midi: int, chord: Chord | None, key: Key | None = None) -> bool:
    """Whether the chord as labelled, or the dominant that it stands for in a key, holds this
    pitch."""
    return member_over(midi, chord, key) is not None


def is_blue(midi: int, key: Key | None) -> bool:
    """Whether a pitch is a blue note of the key: b3, b5 and b7 in a major key, b5 in a minor one
    (common practice, no source).

    >>> is_blue(63, Key("C", "major")), is_blue(62, Key("C", "major"))
    (True, False)
    """
    if key is None:
        return False
    semitone = (midi - tonic_pc(key)) % 12
    scale = scale_semitones(key)
    return semitone not in scale and semitone in ((3, 6, 10) if 4 in scale else (6,))


def is_blue_over(midi: int, chord: Chord, key: Key | None) -> bool:
    """Whether a pitch is a blue note over the dominant seventh on the tonic, none of its tones
    (E flat over C7 in C major): a colour of the style, no clash (common practice, no source)."""
    if key is None or is_no_chord(chord) or chord_member(midi, chord) is not None:
        return False
    return is_blue(midi, key) and is_tonic_seventh(chord, key)


_DOMINANT = 7  # semitones above the tonic
_REST: Mapping[str, Ending] = MappingProxyType(
    {"1": "at rest", "3": "partly at rest", "5": "partly at rest"}
)


def melodic_ending(degree: str | None) -> Ending | None:
    """How an ending sounds by its degree alone: 1 at rest, 3 and 5 partly, the rest open."""
    if degree is None:
        return None
    return _REST.get(degree, "open")


def how_it_ends(midi: int, chord: Chord | None, key: Key | None) -> Ending | None:
    """How a phrase ends on a pitch over a chord; None without a chord or a key.

    The bass must be a tone of the chord's triad, else the ending is open (1 over F/G).

    | chord | note | ending |
    |---|---|---|
    | tonic, root position | 1 | at rest |
    | tonic, root position | its third or fifth | partly at rest |
    | tonic, inverted | 1, its third or fifth | partly at rest |
    | IV or iv, vi or VI, iii or III | 1, 3 or 5 as root, third or fifth | partly at rest |
    | all else (V, vii, sevenths, a cadential six-four) | any | open |

    "Tonic" is the triad or open fifth with added 6, 9 or major 7, in minor with the minor seventh
    and the Picardy third too, in mixolydian with its own seventh.
    """
    if chord is None or key is None or is_no_chord(chord):
        return None
    member = chord.role_of(midi % 12)
    if member not in _TRIAD or chord.role_of(chord.bass_pc) not in _TRIAD:
        return "open"
    if is_tonic_chord(chord, key):
        return "at rest" if member == "root" and is_root_position(chord) else "partly at rest"
    at_home = degree_of(midi, key) in ("1", "3", "5")
    return "partly at rest" if at_home and _is_partly(chord, key) else "open"


_TRIAD = ("root", "third", "fifth")


def _is_partly(chord: Chord, key: Key) -> bool:
    """Whether a chord is IV or iv, or the key's own vi or iii (or its open fifth), none
    diminished."""
    scale, triads = scale_semitones(key), natural_triads(key)
    semitone = (chord.root_pc - tonic_pc(key)) % 12
    if semitone not in (scale[2], scale[3], scale[5]) or triads[semitone][1] != 7:
        return False
    if {role for _, role in chord.tones} == {"root", "fifth"}:
        return True
    triad = third_semitone(chord), fifth_semitone(chord)
    return triad == triads[semitone] or (semitone == scale[3] and triad in ((3, 7), (4, 7)))


def same_digit(degree: str | None, wanted: str, key: Key) -> bool:
    """Whether a note's degree is what a rule means: in a minor key 6 and 7 mean both forms."""
    if degree is None:
        return False
    if degree == wanted:
        return True
    if key.mode == "minor" and wanted in ("6", "7"):
        alteration, digit = parse_degree(degree)
        return digit == int(wanted) and alteration in (0, 1)
    return False
