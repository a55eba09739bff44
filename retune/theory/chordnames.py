"""The name of a chord as a lead sheet writes it, in the bass that it has now."""

from __future__ import annotations

import re

from retune.carriers.heard import Chord
from retune.theory.chordparts import ChordParts, degree_number, degree_semitones, read_harte
from retune.theory.chordtables import LEAD_NAMES, LEAD_SUFFIXES
from retune.theory.leadsheet import read_lead_sheet
from retune.theory.pitchnames import LETTER_SEMITONES, LETTERS
from retune.theory.spelling import spell_pitch_class

_QUALITY = re.compile(r"(?P<base>[^(]*)(?:\((?P<extra>.*)\))?")


def chord_name(chord: Chord) -> str:
    """The lead-sheet name of a chord with its bass, in ASCII ("Bb/D", "Cm7b5"); "N.C." for none,
    the Harte label where no lead-sheet name says the same.

    >>> from retune.theory.chords import parse_chord
    >>> chord_name(parse_chord("F:7(b9)/3")), chord_name(parse_chord("F#:min"))
    ('F7b9/A', 'F#m')
    """
    parts = read_harte(chord.label)
    if not parts.degrees:
        return "N.C."
    quality = parts.label.partition(":")[2].partition("/")[0]
    below = "" if parts.bass == "1" else f"/{bass_name(parts)}"
    name = f"{parts.root}{_suffix(quality)}{below}"
    found = read_lead_sheet(name)
    return name if found is not None and found.label == parts.label else parts.label


def bass_name(parts: ChordParts) -> str:
    """The name of the bass on the letter of its degree; the plain name where that would take two
    accidentals."""
    step = LETTERS.index(parts.root[0]) + degree_number(parts.bass) - 1
    letter = LETTERS[step % 7]
    distance = (parts.root_pc + degree_semitones(parts.bass) - LETTER_SEMITONES[letter] + 6) % 12
    if abs(distance - 6) > 1:
        return spell_pitch_class(parts.bass_pc)
    return letter + ("b", "", "#")[distance - 5]


def _suffix(quality: str) -> str:
    """What follows the root for a Harte quality such as "7(b9)"."""
    if quality in LEAD_NAMES:
        return LEAD_NAMES[quality]
    match = _QUALITY.fullmatch(quality)
    if match is None or match["base"] not in LEAD_SUFFIXES:
        return quality
    extras = match["extra"].split(",")
    words = [e if e[0] in "b#" and degree_number(e) in (9, 11, 13) else f"add{e}" for e in extras]
    suffix = LEAD_SUFFIXES[match["base"]]
    plain = len(words) == 1 and suffix[-1:].isdigit()
    return suffix + (words[0] if plain else f"({','.join(words)})")
