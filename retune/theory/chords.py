"""Chords: labels that people type read into one value, and questions about a chord in its key.

Lead-sheet names are read by `theory.leadsheet`, Harte labels by `theory.chordparts`, Roman numerals
by `theory.roman`; every chord carries a canonical Harte label.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import replace

from retune.carriers.errors import ChordError
from retune.carriers.heard import Chord, Key
from retune.theory.chordparts import (
    NO_CHORD,
    ChordParts,
    bass_degree,
    degree_number,
    degree_semitones,
    read_harte,
)
from retune.theory.chordtables import COMMON_SUFFIXES, READ_SHORTHANDS, SHORTHANDS, TONIC_SEVENTHS
from retune.theory.keys import tonic_pc
from retune.theory.leadsheet import read_lead_sheet
from retune.theory.pitchnames import ascii_accidentals
from retune.theory.roman import is_numeral, read_numeral
from retune.theory.romannames import member, numeral_of

LONGEST = 64  # characters of a label; more is a mistake, and slow to search for its like
_SILENT = ("n.c.", "nc", "n.c", "no chord")
_HARTE_BASS = re.compile(r"[A-G][b#]{0,2}/[b#]*\d+")
# What a tonic chord may hold beyond its triad and still rest: 6, 9, 13.
_RESTFUL = {"2", "6", "9", "13"}


def parse_chord(text: str, key: Key | None = None) -> Chord:
    """Read one chord label; start and end are 0 until a chart places it.

    Parameters
    ----------
    text : str
        Lead-sheet ("F7", "Bb/D"), Harte ("F:7/3", "X"), Roman ("V65", "viio7/V") or "N.C.".
        Capital letters are roots, numerals degrees; "b" before a numeral is a flat.
    key : Key or None
        Needed for Roman numerals; fills `roman` for the others.

    Raises
    ------
    ChordError
        The label does not read; says which part and offers the nearest that does.

    >>> parse_chord("Bb/D").label, parse_chord("V65", Key("Bb", "major")).label
    ('Bb:maj/3', 'F:7/3')
    """
    typed = text.strip()
    if len(typed) > LONGEST:
        raise ChordError(f'"{typed[:20]}..." is not a chord: it has {len(typed)} characters')
    label = ascii_accidentals(typed)
    if label.lower() in _SILENT or label in NO_CHORD:
        return Chord(0.0, 0.0, label="X" if label == "X" else "N", typed=typed)
    if is_numeral(label):
        if key is None:
            raise ChordError(
                f'"{typed}" is a Roman numeral and needs a key; give one, such as key = "Bb major"'
            )
        numeral = read_numeral(label, key)
        return replace(chord_of(numeral.parts, typed=typed), roman=numeral.text)
    parts = _read_lettered(label, typed)
    return replace(chord_of(parts, typed=typed), roman=numeral_of(parts, key) if key else "")


def chord_of(parts: ChordParts, *, typed: str = "") -> Chord:
    """A chord value without a numeral, start and end 0."""
    return Chord(
        0.0,
        0.0,
        label=parts.label,
        typed=typed,
        root_pc=parts.root_pc,
        bass_pc=parts.bass_pc,
        tones=parts.tones,
    )


def chord_parts(chord: Chord) -> ChordParts:
    """A chord taken apart, from its label."""
    return read_harte(chord.label)


def roman_of(chord: Chord, key: Key | None) -> str:
    """The numeral of a chord in a key ("V65", "bVII", "viio7/V"); "" without key or chord."""
    return numeral_of(chord_parts(chord), key) if key is not None else ""


# --- reading -----------------------------------------------------------------------------------


def _read_lettered(label: str, typed: str) -> ChordParts:
    if ":" in label or (_HARTE_BASS.fullmatch(label) and not label.endswith("6/9")):
        try:
            return read_harte(label)
        except ChordError as error:
            raise ChordError(f"{error}{_offer(label)}") from None
    parts = read_lead_sheet(label)
    if parts is None:
        raise ChordError(
            f'"{typed}" is not a chord: use a lead-sheet name (Bb, Gm7, F7/A), a Harte label '
            f"(Bb:min7), a Roman numeral (V7) or N.C.{_offer(label)}"
        )
    return parts


def _offer(label: str) -> str:
    near = nearest_chord(label)
    return f'; did you mean "{near}"?' if near else ""


def nearest_chord(label: str) -> str:
    """A label that reads and is near to one that does not; "" when none is near.

    >>> nearest_chord("H7"), nearest_chord("c:maj"), nearest_chord("C:m7b5")
    ('B7', 'C:maj', 'C:hdim7')
    """
    if label[:1] == "H":
        return _reads("B" + label[1:]) or nearest_chord("B" + label[1:])
    if label[:1] in tuple("abcdefgh"):
        return nearest_chord(label[0].upper() + label[1:])
    if found := _reads(label):
        return found
    root = re.match(r"[A-G](?:bb?|##?)?", label)
    if root is None:
        return ""
    body, slash, bass = label[root.end() :].partition("/")
    bass = bass[:1].upper() + bass[1:]
    if not _reads(f"C{slash}{bass}"):
        slash = bass = ""
    if not body:
        return root[0] + slash + bass
    if body.startswith(":"):
        lead = read_lead_sheet(root[0] + body[1:] + slash + bass)
        if lead is not None:
            return lead.label
        known, head = [*SHORTHANDS, *READ_SHORTHANDS], f"{root[0]}:"
    elif read_lead_sheet(root[0] + body):
        return root[0] + body + slash + bass
    else:
        known, head = [suffix for suffix in COMMON_SUFFIXES if suffix], root[0]
    near = difflib.get_close_matches(body.lstrip(":"), known, n=1, cutoff=0.4)
    return head + near[0] + slash + bass if near else ""


def _reads(label: str) -> str:
    """The label itself if it reads as lead-sheet or Harte, else ""."""
    if ":" not in label and read_lead_sheet(label) is not None:
        return label
    try:
        read_harte(label)
    except ChordError:
        return ""
    return label


# --- a chord's members -------------------------------------------------------------------------


def third_semitone(chord: Chord) -> int | None:
    """3, 4, or None for a chord without a third."""
    return member(chord_parts(chord), 3)


def fifth_semitone(chord: Chord) -> int | None:
    """6, 7, 8, or None for a chord without a fifth."""
    return member(chord_parts(chord), 5)


def seventh_semitone(chord: Chord) -> int | None:
    """9, 10, 11, or None for a chord without a seventh."""
    return member(chord_parts(chord), 7)


def third_pitch_class(chord: Chord) -> int | None:
    """Pitch class of the chord's third, None for a chord without one."""
    third = None if is_no_chord(chord) else third_semitone(chord)
    return None if third is None else (chord.root_pc + third) % 12


def sus_pitch_class(chord: Chord) -> int | None:
    """Pitch class that stands in for the third of a sus chord (the fourth before the second)."""
    if is_no_chord(chord) or third_semitone(chord) is not None:
        return None
    degrees = chord_parts(chord).degrees
    above = next((semitone for degree, semitone in (("4", 5), ("2", 2)) if degree in degrees), None)
    return None if above is None else (chord.root_pc + above) % 12


def is_no_chord(chord: Chord | None) -> bool:
    """Whether no chord is known to sound: None, "N" or "X"."""
    return chord is None or chord.root_pc < 0


def is_root_position(chord: Chord) -> bool:
    """Whether the root is in the bass."""
    return chord.bass_pc == chord.root_pc


def with_bass(chord: Chord, bass_pc: int, key: Key | None = None) -> Chord:
    """The same chord over another bass note, its label and numeral renewed; a bass from outside
    the chord does not become one of its tones."""
    if is_no_chord(chord) or bass_pc % 12 == chord.bass_pc:
        return chord
    parts = chord_parts(chord)
    moved = replace(parts, bass=bass_degree(parts, bass_pc % 12))
    roman = numeral_of(moved, key) if key is not None else chord.roman
    return replace(chord, bass_pc=bass_pc % 12, label=moved.label, roman=roman)


# --- a chord in its key ------------------------------------------------------------------------


def is_tonic_chord(chord: Chord | None, key: Key) -> bool:
    """Whether a chord is the key's tonic: a triad or open fifth on the tonic, in any inversion
    but a cadential six-four, with added 6, 9 or major 7.

    A major third in minor (Picardy) counts and so does a minor one in major; a minor seventh
    counts over a minor third, in mixolydian over the major one, and in major where the numeral
    says so ("Ib7", see `theory.blues`; elsewhere it is V7 of IV).
    """
    if chord is None or is_no_chord(chord) or chord.root_pc != tonic_pc(key):
        return False
    if chord.roman.startswith("Cad"):
        return False
    parts = chord_parts(chord)
    third, fifth, seventh = (member(parts, number) for number in (3, 5, 7))
    extra = {degree for degree in parts.degrees if degree_number(degree) not in (1, 3, 5, 7)}
    if third is None:
        return parts.degrees == ("1", "5")
    if fifth not in (7, None) or not extra <= _RESTFUL:
        return False
    is_own = third == 3 or key.mode == "mixolydian" or chord.roman in TONIC_SEVENTHS
    return seventh in (None, 11) or (seventh == 10 and is_own)


def triad_quality(chord: Chord) -> str:
    """ "major" or "minor" by a chord's third, where its fifth is not diminished; else ""."""
    parts = chord_parts(chord)
    third, fifth = member(parts, 3), member(parts, 5)
    if fifth == 6:
        return ""
    return {3: "minor", 4: "major"}.get(third or 0, "")


def acts_as_dominant(chord: Chord | None, key: Key) -> bool:
    """Whether a chord is the key's V (major third, or a suspension of it, in any inversion), or
    IV, iv or ii over the dominant in the bass (F/G and Dm7/G in C, Dm/E in A minor), which stand
    for V11."""
    if chord is None or is_no_chord(chord) or chord.roman.startswith("Cad"):
        return False
    root, bass = ((pc - tonic_pc(key)) % 12 for pc in (chord.root_pc, chord.bass_pc))
    if root == 7:
        return third_semitone(chord) == 4 or sus_pitch_class(chord) is not None
    third = third_semitone(chord)
    fifths = (7, 6, None) if root == 2 else (7, None)
    subdominant = (root, third) in ((5, 4), (5, 3), (2, 3))
    return bass == 7 and subdominant and fifth_semitone(chord) in fifths


def chord_matches(chord: Chord | None, wanted: str, key: Key) -> bool:
    """Whether a sounding chord is what a rule's "over ..." names.

    What is written must be there, what is not written is free: "V" and "F" match sevenths,
    extensions, suspensions and inversions; "V7" any inversion with that seventh; "V6" and "F/A"
    only that bass, with or without a seventh; "V65" both. An altered fifth over a major third
    is still the same chord. "V" is also IV or ii over the dominant in the bass (F/G in C), which
    stand for it. "N.C." matches silence only.

    Raises
    ------
    ChordError
        `wanted` does not read.
    """
    asked = parse_chord(wanted, key)
    if chord is None or is_no_chord(chord) or is_no_chord(asked):
        return chord is not None and is_no_chord(asked) and chord.label == asked.label
    if asked.roman == "V" == wanted.strip() and acts_as_dominant(chord, key):
        return True
    if chord.root_pc != asked.root_pc:
        return False
    have, want = chord_parts(chord), chord_parts(asked)
    if want.bass != "1" and chord.bass_pc != asked.bass_pc:
        return False
    return _triad_matches(have, want) and _rest_matches(have, want)


def _triad_matches(have: ChordParts, want: ChordParts) -> bool:
    third, wanted_third = member(have, 3), member(want, 3)
    if wanted_third is None and third is not None:
        return False
    if third is not None and third != wanted_third:
        return False
    fifth, wanted_fifth = member(have, 5), member(want, 5)
    if fifth is None or wanted_fifth is None or fifth == wanted_fifth:
        return True
    return third == 4 and wanted_fifth == 7


def _rest_matches(have: ChordParts, want: ChordParts) -> bool:
    """Whether sevenths, suspensions and extensions that are written are there."""
    present = {(_above(degree), degree_semitones(degree) % 12) for degree in have.degrees}
    written = {
        (_above(degree), degree_semitones(degree) % 12)
        for degree in want.degrees
        if degree_number(degree) not in (1, 3, 5)
    }
    return written <= present


def _above(degree: str) -> int:
    """The digit of a degree folded into one octave: 2 for a ninth."""
    return (degree_number(degree) - 1) % 7
