"""Keys as notation counts them: sharps (positive) or flats in the signature."""

from __future__ import annotations

from retune.carriers.heard import Key
from retune.theory.keys import tonic_pc
from retune.theory.pitchnames import accidental_semitones

_FIFTHS = {"F": -1, "C": 0, "G": 1, "D": 2, "A": 3, "E": 4, "B": 5}
_OF_MODE = {
    "lydian": 1,
    "major": 0,
    "mixolydian": -1,
    "dorian": -2,
    "minor": -3,
    "phrygian": -4,
    "locrian": -5,
}


def key_fifths(key: Key | None) -> int:
    """Sharps (or minus flats) of a key, at most seven: G# major is written as A flat.

    >>> key_fifths(Key("Bb", "major")), key_fifths(Key("F#", "minor")), key_fifths(None)
    (-2, 3, 0)
    """
    if key is None:
        return 0
    fifths = _FIFTHS[key.tonic[0]] + 7 * accidental_semitones(key.tonic[1:]) + _OF_MODE[key.mode]
    if abs(fifths) > 7:
        fifths = (7 * tonic_pc(key) + _OF_MODE[key.mode] + 5) % 12 - 5
    return fifths


def key_moved(key: Key, semitones: int) -> Key:
    """The key so many semitones up, in the spelling with the shorter signature.

    >>> str(key_moved(Key("Bb", "major"), 2)), str(key_moved(Key("A", "minor"), 4))
    ('C major', 'C# minor')
    """
    tonic = (tonic_pc(key) + semitones) % 12
    fifths = (7 * tonic + _OF_MODE[key.mode] + 5) % 12 - 5
    times, place = divmod(fifths - _OF_MODE[key.mode] + 1, 7)
    return Key("FCGDAEB"[place] + ("#" if times > 0 else "b") * abs(times), key.mode)
