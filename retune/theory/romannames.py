"""The Roman numeral of a chord in a key: the other way from `theory.roman`.

Diatonic chords get the plain numeral, in minor also those of the raised sixth and seventh;
dominants and leading-tone chords of other diatonic triads are written as applied ("V7/ii"),
what is left by its accidental ("bVII"). A bass that is none of the chord's tones follows as a
degree of the key ("IV/5"). Upper extensions and the bass of an open fifth are left to the label.
"""

from __future__ import annotations

from retune.carriers.heard import Key
from retune.theory.chordparts import ChordParts, degree_semitones
from retune.theory.chordtables import (
    FLAT_SEVENTH_FIGURES,
    NUMERALS,
    SEVENTH_FIGURES,
    TRIAD_FIGURES,
)
from retune.theory.keys import degree_of, scale_semitones, spell_degree, tonic_pc
from retune.theory.pitchnames import LETTERS
from retune.theory.roman import default_seventh, numeral_semitone

# Triads of minor beyond its natural scale, from the raised sixth and seventh: root, third, fifth.
_MINOR_TRIADS = {(7, 4, 7), (11, 3, 6), (5, 4, 7), (2, 3, 7), (3, 4, 8), (9, 3, 6)}
_AUGMENTED_SIXTHS = {
    ("1", "3", "#6"): "It6",
    ("1", "3", "#4", "#6"): "Fr43",
    ("1", "3", "5", "#6"): "Ger65",
}


def numeral_of(parts: ChordParts, key: Key) -> str:
    """The numeral of a chord in a key, with quality, seventh and inversion, or a foreign bass as
    a degree of the key ("IV/5"); "" for no chord."""
    if not parts.degrees:
        return ""
    return _above_the_bass(parts, key) + _foreign_bass(parts, key)


def _foreign_bass(parts: ChordParts, key: Key) -> str:
    """ "/5" for a bass that is none of the chord's tones, else ""."""
    bass = degree_semitones(parts.bass) % 12
    if bass in {degree_semitones(degree) % 12 for degree in parts.degrees}:
        return ""
    return f"/{degree_of(parts.root_pc + bass, key)}"


def _above_the_bass(parts: ChordParts, key: Key) -> str:
    semitone = (parts.root_pc - tonic_pc(key)) % 12
    if semitone == 8 and parts.degrees in _AUGMENTED_SIXTHS and parts.bass == "1":
        return _AUGMENTED_SIXTHS[parts.degrees]
    third, fifth, seventh = (member(parts, number) for number in (3, 5, 7))
    if semitone == 1 and (third, fifth, seventh) == (4, 7, None) and parts.bass == "3":
        return "N6"
    target = _applied_to(semitone, third, fifth, seventh, key)
    if target is None:
        return _written(parts, semitone, key)
    root, small = target
    home = Key(_tonic_name(root, key), "minor" if small else "major")
    inner = _written(parts, (semitone - root) % 12, home)
    return f"{inner}/{_head(root, key, small=small, diminished=False, root_name='')}"


def member(parts: ChordParts, number: int) -> int | None:
    """Semitones of the third (3), fifth (5) or seventh (7) above the root, or None; of two
    fifths (an altered dominant) the perfect one, else the first."""
    found = parts.semitones.get(number, ())
    return None if not found else 7 if number == 5 and 7 in found else found[0]


def natural_triads(key: Key) -> dict[int, tuple[int, int]]:
    """Semitone of each degree of the scale -> (third, fifth) of its triad in that scale."""
    scale = scale_semitones(key)
    return {
        root: ((scale[(place + 2) % 7] - root) % 12, (scale[(place + 4) % 7] - root) % 12)
        for place, root in enumerate(scale)
    }


def is_diatonic(semitone: int, third: int | None, fifth: int | None, key: Key) -> bool:
    """Whether a triad belongs to the key, in minor with its raised sixth and seventh."""
    if third is None or fifth is None:
        return semitone in scale_semitones(key)
    if natural_triads(key).get(semitone) == (third, fifth):
        return True
    return key.mode == "minor" and (semitone, third, fifth) in _MINOR_TRIADS


def _applied_to(
    semitone: int, third: int | None, fifth: int | None, seventh: int | None, key: Key
) -> tuple[int, bool] | None:
    """(semitone, whether minor) of the diatonic triad that a chord leads to as its dominant or
    leading-tone chord; None for a chord that belongs to the key or leads to none."""
    own_seventh = seventh is None or (semitone + seventh) % 12 in scale_semitones(key)
    if is_diatonic(semitone, third, fifth, key) and own_seventh:
        return None
    if (third, fifth) == (4, 7) and seventh in (None, 10):
        if seventh is None and semitone == 0:
            return None
        root = (semitone + 5) % 12
    elif (third, fifth) == (3, 6) and seventh != 11:
        root = (semitone + 1) % 12
    else:
        return None
    triad = natural_triads(key).get(root)
    if root == 0 or triad is None or triad[1] != 7:
        return None
    return root, triad[0] == 3 and not (root == 7 and key.mode == "minor")


def _tonic_name(semitone: int, key: Key) -> str:
    return spell_degree(degree_of(tonic_pc(key) + semitone, key), key)


def _written(parts: ChordParts, semitone: int, key: Key) -> str:
    third, fifth, seventh = (member(parts, number) for number in (3, 5, 7))
    small = third == 3
    kind = ""
    if (third, fifth) == (3, 6):
        kind = "ø" if seventh == 10 else "o"
    elif (third, fifth) == (4, 8):
        kind = "+"
    head = _head(semitone, key, small=small, diminished=kind in ("o", "ø"), root_name=parts.root)
    if third is None and set(parts.degrees) == {"1", "5"}:
        return head + "5"
    suspended = _suspended(parts, third)
    figures = _figures(parts, head, "sus" if suspended else kind, semitone, key)
    return head + kind + figures + suspended


def _suspended(parts: ChordParts, third: int | None) -> str:
    if third is not None:
        return ""
    return next((f"sus{d}" for d in ("4", "2") if d in parts.degrees), "")


def _head(semitone: int, key: Key, *, small: bool, diminished: bool, root_name: str) -> str:
    """Accidental and digit that `numeral_semitone` reads back as this semitone: plain where
    there is one, else a flat on the letter of the root, else as the key calls the pitch (a
    "D#" chord in C major is bIII)."""
    digits = [numeral.lower() if small else numeral for numeral in NUMERALS]
    called = int(degree_of(tonic_pc(key) + semitone, key)[-1]) - 1
    lettered = called
    if root_name:
        lettered = (LETTERS.index(root_name[0]) - LETTERS.index(key.tonic[0])) % 7
    tries = [("", place) for place in range(7)]
    tries += [("b", lettered)] if lettered else []
    tries += [("b", called), ("#", called), ("#", lettered)]
    tries += [(marks, place) for marks in ("b", "#", "bb", "##") for place in range(7)]
    for marks, place in tries:
        if numeral_semitone(marks, digits[place], key, diminished=diminished) == semitone:
            return marks + digits[place]
    raise AssertionError("every semitone lies a step at most from a degree")


def _figures(parts: ChordParts, head: str, kind: str, semitone: int, key: Key) -> str:
    seventh = member(parts, 7)
    basses = {"3": 1, "b3": 1, "5": 2, "b5": 2, "#5": 2, "7": 3, "b7": 3, "bb7": 3}
    inversion = basses.get(parts.bass, 0)
    if inversion and parts.bass not in parts.degrees:
        inversion = 0
    if seventh is None:
        return TRIAD_FIGURES[inversion]
    marks, digit = head.rstrip("IViv"), head.lstrip("b#")
    usual = default_seventh(marks, digit, kind, semitone, key)
    figures = SEVENTH_FIGURES[inversion]
    if seventh == degree_semitones(usual) % 12:
        return f"maj{figures}" if seventh == 11 and inversion == 0 else figures
    if seventh == 10:
        return FLAT_SEVENTH_FIGURES[inversion]
    return f"maj{figures}" if seventh == 11 else figures
