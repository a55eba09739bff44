"""Roman numerals: capital for a major third, small for a minor one, figures for sevenths and
inversions. Common practice (no source); checked in the tests against music21.

Digits count the key's own scale, with two customs of minor keys: "vii" and "viio" stand on the
raised seventh, "vi" on the raised sixth; "bIII", "bVI", "bVII" count from the major scale
everywhere. A figure 7 takes the seventh of the scale ("I7" holds the major seventh; write
"Idom7" for a dominant seventh), and on V always the minor one.
"""

from __future__ import annotations

import re
from dataclasses import replace

from retune.core.carriers import Chord, Key
from retune.core.errors import ChordError
from retune.core.keys import (
    MODES,
    degree_of,
    is_minor_like,
    scale_semitones,
    spell_degree,
    tonic_pc,
)
from retune.core.pitch import accidental_semitones

NUMERALS = ("I", "II", "III", "IV", "V", "VI", "VII")
_NUMERAL = re.compile(
    r"(?P<alter>b{0,2}|#{0,2})"
    r"(?P<digit>VII|VI|IV|V|III|II|I|vii|vi|iv|v|iii|ii|i)"
    r"(?P<kind>o|°|ø|\+|maj|dom|sus4|sus2|sus|add6|add9)?"
    r"(?P<figures>65|64|43|42|13|11|9|7|6|2)?"
    r"(?:/(?P<of>.+))?"
)
_NAMED = re.compile(r"(N6|N|Ger65|Ger|It6|It|Fr43|Fr|Cad64)(?:/(.+))?")
_INVERSION = {"6": 1, "64": 2, "65": 1, "43": 2, "42": 3, "2": 3}
_SEVENTHS = ("7", "65", "43", "42", "2", "9", "11", "13")
# Augmented sixths and the Neapolitan as (bass degree, semitones above it), in any mode.
_SPECIAL = {
    "N6": ("4", 1, (0, 4, 7), 5),
    "N": ("b2", 1, (0, 4, 7), 1),
    "Ger65": ("b6", 8, (0, 4, 7, 10), 8),
    "It6": ("b6", 8, (0, 4, 10), 8),
    "Fr43": ("b6", 8, (0, 4, 6, 10), 8),
}
_ALIAS = {"Ger": "Ger65", "It": "It6", "Fr": "Fr43"}


def is_numeral(label: str) -> bool:
    """Whether a label is written as a Roman numeral (not whether its figures make sense)."""
    return bool(_NUMERAL.fullmatch(label)) or (
        bool(_NAMED.fullmatch(label)) and label not in ("N",)
    )


def parse_numeral(label: str, key: Key) -> Chord:
    """The chord of a numeral in a key.

    Raises
    ------
    ChordError
        The numeral or its figures do not read.
    """
    named = _NAMED.fullmatch(label)
    if named is not None:
        return _named_chord(_ALIAS.get(named[1], named[1]), label, _key_of(named[2], key, label))
    match = _NUMERAL.fullmatch(label)
    if match is None:
        raise ChordError(f'"{label}" is not a Roman numeral; write it like V7, ii6 or viio')
    home = _key_of(match["of"], key, label)
    root_pc = (tonic_pc(home) + _root_semitone(match["alter"], match["digit"], home)) % 12
    shorthand, added = _quality(match, home, root_pc)
    return _built(root_pc, shorthand, added, _INVERSION.get(match["figures"] or "", 0), home, label)


def _key_of(of: str | None, key: Key, label: str) -> Key:
    """The key that a secondary numeral is in: "/V" means the key of the dominant."""
    if of is None:
        return key
    match = _NUMERAL.fullmatch(of)
    if match is None or match["figures"]:
        raise ChordError(f'"{label}": after "/" a plain numeral is expected, such as V7/V')
    outer = _key_of(match["of"], key, label)
    semitone = _root_semitone(match["alter"], match["digit"], outer)
    tonic = spell_degree(degree_of(tonic_pc(outer) + semitone, outer), outer)
    return Key(tonic, "major" if match["digit"].isupper() else "minor")


def _root_semitone(alter: str, numeral: str, key: Key) -> int:
    digit = NUMERALS.index(numeral.upper())
    scale = scale_semitones(key)
    if alter.startswith("b") and digit in (2, 5, 6):
        return (MODES["major"][digit] + accidental_semitones(alter)) % 12
    base = scale[digit]
    if not alter and numeral.islower() and is_minor_like(key) and digit in (5, 6):
        base = MODES["major"][digit]
    return (base + accidental_semitones(alter)) % 12


def _quality(match: re.Match[str], key: Key, root_pc: int) -> tuple[str, tuple[str, ...]]:
    kind, figures = match["kind"] or "", match["figures"] or ""
    upper = match["digit"].isupper()
    seventh = figures in _SEVENTHS
    if kind in ("sus", "sus4", "sus2"):
        return ("sus2" if kind == "sus2" else "sus4"), (("b7",) if seventh else ())
    if kind in ("add6", "add9"):
        added = kind.removeprefix("add")
        return ("maj" if upper else "min"), (added,)
    if kind in ("o", "°"):
        return ("dim7" if seventh else "dim"), ()
    if kind == "ø":
        return "hdim7", ()
    if kind == "+":
        return "aug", (("b7",) if seventh else ())
    if not seventh:
        if kind:
            raise ChordError(f'"{match[0]}": "{kind}" needs a seventh after it, such as IV{kind}7')
        return ("maj" if upper else "min"), ()
    major_seventh = kind == "maj" or (
        not kind
        and match["digit"] != "V"
        and _scale_has(root_pc + 11, key)
        and not _scale_has(root_pc + 10, key)
    )
    stem = {(True, True): "maj", (True, False): "", (False, False): "min"}.get(
        (upper, major_seventh), "minmaj"
    )
    extension = figures if figures in ("9", "11", "13") and stem != "minmaj" else "7"
    return stem + extension, ()


def _scale_has(pitch_class: int, key: Key) -> bool:
    return (pitch_class - tonic_pc(key)) % 12 in scale_semitones(key)


def _built(
    root_pc: int, shorthand: str, added: tuple[str, ...], inversion: int, key: Key, label: str
) -> Chord:
    from retune.core.chords import SHORTHANDS, harte_label, interval_semitone, make_chord

    root = spell_degree(degree_of(root_pc, key), key)
    degrees = SHORTHANDS[shorthand] + added
    if inversion >= len(degrees):
        raise ChordError(f'"{label}": the figures ask for a note that the chord has not')
    bass_pc = (root_pc + interval_semitone(degrees[inversion])) % 12
    harte = harte_label(root, shorthand, added, bass_pc)
    chord = make_chord(root, degrees, label=harte, bass_pc=bass_pc, typed=label)
    return replace(chord, roman=label)


def _named_chord(name: str, label: str, key: Key) -> Chord:
    from retune.core.chords import harte_label, make_chord

    tonic = tonic_pc(key)
    if name == "Cad64":
        shorthand = "min" if is_minor_like(key) else "maj"
        return _built(tonic, shorthand, (), 2, key, label)
    _, root, above, bass = _SPECIAL[name]
    names = {0: "1", 4: "3", 6: "b5", 7: "5", 10: "b7"}
    degrees = tuple(names[semitone] for semitone in above)
    spelled = spell_degree({1: "b2", 8: "b6"}[root], Key(key.tonic, "major"))
    shorthand, added = {
        (0, 4, 7): ("maj", ()),
        (0, 4, 7, 10): ("7", ()),
        (0, 4, 10): ("7", ("*5",)),
        (0, 4, 6, 10): ("7", ("*5", "b5")),
    }[above]
    bass_pc = (tonic + bass) % 12
    harte = harte_label(spelled, shorthand, added, bass_pc)
    chord = make_chord(spelled, degrees, label=harte, bass_pc=bass_pc, typed=label)
    return replace(chord, roman=label)


def roman_of(chord: Chord, key: Key | None) -> str:
    """The numeral of a chord in a key, with quality, seventh and inversion; "" for none.

    A dominant seventh prints as 7 on every degree ("I7"), a major one as maj7.
    """
    from retune.core.chords import (
        fifth_semitone,
        is_no_chord,
        seventh_semitone,
        third_semitone,
    )

    if key is None or is_no_chord(chord):
        return ""
    third, fifth, seventh = third_semitone(chord), fifth_semitone(chord), seventh_semitone(chord)
    degree = _degree_from_tonic(chord.root_pc, key)
    numeral = NUMERALS[int(degree[-1]) - 1]
    small = third == 3
    head = degree[:-1] + (numeral.lower() if small else numeral)
    if small and fifth == 6:
        head += "ø" if seventh == 10 else "o"
    elif third == 4 and fifth == 8:
        head += "+"
    elif third is None and any(member == "extension" for _, member in chord.tones):
        head += "sus"
    return head + _figures(chord, third, seventh, small=small)


def _degree_from_tonic(root_pc: int, key: Key) -> str:
    """The root's degree; in minor the raised seventh is plain for the diminished chord."""
    degree = degree_of(root_pc, key)
    if is_minor_like(key) and degree == "#7":
        return "7"
    if is_minor_like(key) and degree == "#6":
        return "6"
    return degree


def _figures(chord: Chord, third: int | None, seventh: int | None, *, small: bool) -> str:
    above = (chord.bass_pc - chord.root_pc) % 12
    fifth = next((pc for pc, member in chord.tones if member == "fifth"), -1)
    place = {
        0: 0,
        -1 if third is None else third: 1,
        (fifth - chord.root_pc) % 12 if fifth >= 0 else -2: 2,
        -3 if seventh is None else seventh: 3,
    }.get(above, 0)
    if seventh is None:
        sixth = (chord.root_pc + 9) % 12
        added = "add6" if place == 0 and (sixth, "extension") in chord.tones else ""
        return added or ("", "6", "64", "")[place]
    diminished = seventh == 9
    lead = "maj" if seventh == 11 and not diminished else ""
    return lead + ("7", "65", "43", "42")[place]
