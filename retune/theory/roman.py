"""Roman numerals: capital for a major third, small for a minor one, figures for sevenths and
inversions. Common practice (no source); checked in the tests against music21.

- A numeral without accidental stands on the key's own scale, except that small "vi" and "vii"
  of a minor key, and "viio" of every mode with a whole step below its tonic, stand on the raised
  degree (in A minor "VII" is G, "viio" is G sharp).
- An accidental counts from the higher (flat) or lower (sharp) of the major and the own scale:
  "bVII" is a whole step below the tonic in every mode, "#vi" in A minor is F sharp.
- A seventh is the key's own over a plain capital numeral ("I7" holds the major seventh), minor
  on V, on small and on altered numerals; "maj7" and "b7" say it outright.
- "V7/ii" is read in the key of ii. "IV/5" is IV over the fifth degree in the bass.
- "N6" is the Neapolitan, "Cad64" the cadential six-four,
  "It6", "Fr43" and "Ger65" the augmented sixths, whose root here is the lowered sixth degree.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from retune.carriers.errors import ChordError
from retune.carriers.heard import Key
from retune.theory.chordparts import ChordParts, bass_degree, degree_number, sorted_degrees
from retune.theory.chordtables import FIGURES, MAJOR, NUMERALS, TRIADS
from retune.theory.keys import degree_of, degree_pc, scale_semitones, spell_degree, tonic_pc
from retune.theory.leadsheet import change_degrees
from retune.theory.pitchnames import ascii_accidentals

_HEAD = re.compile(
    r"(?P<marks>b{0,2}|#{0,2})(?P<digit>VII|VI|IV|V|III|II|I|vii|vi|iv|v|iii|ii|i)(?P<rest>.*)"
)
_REST = re.compile(
    r"(?P<kind>dim|o|°|º|hdim|ø|Ø|aug|\+|m(?:in)?(?!aj))?(?P<seventh>maj|Maj|M|Δ|dom)?"
    r"(?P<figures>6b5|65|64|63|6|53|5|4b3|43|b42|42|2|b7|7|9|11|13)?(?P<changes>.*)"
)
_KINDS = {"dim": "o", "°": "o", "º": "o", "hdim": "ø", "Ø": "ø", "aug": "+", "min": "m"}
_FLAT = {"b7": "7", "6b5": "65", "4b3": "43", "b42": "42"}
_AUGMENTED = {
    "It": ("It6", ("1", "3", "#6")),
    "Fr": ("Fr43", ("1", "3", "#4", "#6")),
    "Ger": ("Ger65", ("1", "3", "5", "#6")),
}
_SPECIAL = re.compile(
    r"(?P<name>N|It|Fr|Ger|Cad)\+?(?P<figures>6/5|4/3|6/4|65|43|64|6)?(?:/(?P<of>.+))?"
)
_OVER_DEGREE = re.compile(r"(?P<above>.+)/(?P<degree>[b#]{0,2}[1-7])")


@dataclass(frozen=True)
class Numeral:
    """A numeral read in a key: its chord, and the numeral in one spelling ("V6/5" as "V65")."""

    parts: ChordParts
    text: str


def is_numeral(label: str) -> bool:
    """Whether a label sets out as a Roman numeral (not whether the rest of it makes sense)."""
    text = ascii_accidentals(label)
    special = _SPECIAL.fullmatch(text)
    return bool(_HEAD.match(text)) or (special is not None and text != "N")


def read_numeral(label: str, key: Key) -> Numeral:
    """The chord of a numeral in a key.

    Raises
    ------
    ChordError
        The numeral or its figures do not read; says which part.
    """
    text = re.sub(r"(?<!sus4)(?<=[64])/(?=[2345](?!\d))", "", ascii_accidentals(label.strip()))
    over = _OVER_DEGREE.fullmatch(text)
    if over is not None:
        return _over_degree(read_numeral(over["above"], key), over["degree"], key)
    special = _SPECIAL.fullmatch(text)
    if special is not None and text != "N":
        return _read_special(special, key, label)
    head, slash, of = text.partition("/")
    match = _HEAD.fullmatch(head)
    if match is None:
        raise ChordError(f'"{label}" is not a Roman numeral; write it like V7, ii6 or viio')
    home = applied_key(of, key, label) if slash else key
    parts, canonical = _read_plain(match, home, label)
    return Numeral(parts, f"{canonical}/{of}" if of else canonical)


def _over_degree(numeral: Numeral, degree: str, key: Key) -> Numeral:
    """A numeral over a degree of the key in the bass; that of a chord tone is an inversion."""
    parts = numeral.parts
    below = bass_degree(parts, degree_pc(degree, key), spell_degree(degree, key))
    return Numeral(replace(parts, bass=below), f"{numeral.text}/{degree}")


def applied_key(of: str, key: Key, label: str) -> Key:
    """The key meant by what follows the "/" of a numeral: in C major, "V" means G major.

    Raises
    ------
    ChordError
        It is not a plain numeral.
    """
    head, _, outer = of.partition("/")
    match = _HEAD.fullmatch(head)
    if match is None or match["rest"] not in ("", "o", "°"):
        raise ChordError(f'"{label}": after "/" comes a plain numeral, as in V7/V')
    home = applied_key(outer, key, label) if outer else key
    small = match["digit"].islower()
    semitone = numeral_semitone(
        match["marks"], match["digit"], home, diminished=match["rest"] != ""
    )
    return Key(_spell(semitone, match["digit"], home), "minor" if small else "major")


def numeral_semitone(marks: str, digit: str, key: Key, *, diminished: bool) -> int:
    """Semitones above the tonic on which a numeral stands."""
    place = NUMERALS.index(digit.upper())
    own, major = scale_semitones(key)[place], MAJOR[place]
    if marks.startswith("b"):
        return (max(own, major) - len(marks)) % 12
    if marks:
        return (min(own, major) + len(marks)) % 12
    raised = digit.islower() and place in (5, 6) and key.mode == "minor"
    leading = diminished and place == 6 and own == 10
    return major if raised or leading else own


def _spell(semitone: int, digit: str, key: Key) -> str:
    """The name of the pitch class on a numeral's own letter."""
    place = NUMERALS.index(digit.upper())
    alteration = (semitone - scale_semitones(key)[place] + 6) % 12 - 6
    if abs(alteration) > 2:
        return spell_degree(degree_of(tonic_pc(key) + semitone, key), key)
    return spell_degree(("b" * -alteration or "#" * alteration) + str(place + 1), key)


def default_seventh(marks: str, digit: str, kind: str, semitone: int, key: Key) -> str:
    """The seventh that a figure without accidental means, as a degree above the root."""
    if kind == "o":
        return "bb7"
    plain = not marks and not kind and digit.isupper() and digit != "V"
    scale = scale_semitones(key)
    own_major = (semitone + 11) % 12 in scale and (semitone + 10) % 12 not in scale
    return "7" if plain and semitone in scale and own_major else "b7"


def _has_flat_ninth(semitone: int, key: Key) -> bool:
    """Whether the scale has only the minor ninth above a degree, as above V in minor."""
    scale = scale_semitones(key)
    return (semitone + 1) % 12 in scale and (semitone + 2) % 12 not in scale


def _read_plain(match: re.Match[str], key: Key, label: str) -> tuple[ChordParts, str]:
    marks, digit = match["marks"], match["digit"]
    rest = _REST.fullmatch(match["rest"])
    if rest is None:
        raise ChordError(f'"{label}": "{match["rest"]}" is not read after {digit}')
    kind = _KINDS.get(rest["kind"] or "", rest["kind"] or "")
    if kind == "m":
        digit, kind = digit.lower(), ""
    figures = rest["figures"] or ""
    semitone = numeral_semitone(marks, digit, key, diminished=kind in ("o", "ø"))
    degrees, inversion = _figured(rest, kind, digit.islower(), label)
    if "seventh" in degrees:
        suspended = "sus" if "sus" in rest["changes"] else kind
        seventh = default_seventh(marks, digit, suspended, semitone, key)
        if figures in _FLAT or rest["seventh"] == "dom":
            seventh = "b7"
        elif rest["seventh"]:
            seventh = "7"
        degrees = degrees - {"seventh"} | {seventh}
    if "9" in degrees and not marks and _has_flat_ninth(semitone, key):
        degrees = degrees - {"9"} | {"b9"}
    changed = change_degrees(degrees, rest["changes"])
    if changed is None or rest["changes"].count("(") != rest["changes"].count(")"):
        raise ChordError(f'"{label}": "{rest["changes"]}" is not read in a Roman numeral')
    bass = next((d for d in changed if degree_number(d) == 2 * inversion + 1), None)
    if bass is None:
        raise ChordError(f'"{label}": the figures put a note in the bass that the chord has not')
    parts = ChordParts(_spell(semitone, digit, key), sorted_degrees(changed), bass)
    seventh_word = {"M": "maj", "Maj": "maj", "Δ": "maj"}.get(rest["seventh"], rest["seventh"])
    text = f"{marks}{digit}{kind}{seventh_word or ''}{figures}{rest['changes']}"
    return parts, text


def _figured(rest: re.Match[str], kind: str, small: bool, label: str) -> tuple[set[str], int]:
    """Degrees by kind and figures ("seventh" stands for one not yet known) and the inversion."""
    figures = _FLAT.get(rest["figures"] or "", rest["figures"] or "")
    if figures == "5" and not kind:
        return {"1", "5"}, 0
    triad = {"o": "dim", "ø": "hdim", "+": "aug"}.get(kind, "min" if small else "maj")
    degrees = set(TRIADS[triad])
    if figures in ("9", "11", "13"):
        upper = {"9", "11", "13"} - ({"11", "13"} if figures == "9" else set())
        return degrees | {"seventh"} | (upper - ({"13"} if figures == "11" else set())), 0
    if figures == "" and (rest["seventh"] == "Δ" or kind == "ø"):
        figures = "7"
    inversion, seventh = FIGURES.get(figures, (0, False))
    if kind == "ø" and not seventh:
        raise ChordError(f'"{label}": "ø" is a seventh chord; write o for the triad')
    if rest["seventh"] and not seventh:
        raise ChordError(f'"{label}": "{rest["seventh"]}" needs a seventh, such as Imaj7')
    return (degrees | {"seventh"} if seventh else degrees), inversion


def _read_special(match: re.Match[str], key: Key, label: str) -> Numeral:
    name, figures = match["name"], (match["figures"] or "").replace("/", "")
    of = f"/{match['of']}" if match["of"] else ""
    home = applied_key(match["of"], key, label) if match["of"] else key
    if name in _AUGMENTED:
        text, degrees = _AUGMENTED[name]
        root = _spell(8, "VI", home)
        return Numeral(ChordParts(root, degrees), text + of)
    if name == "N" and figures in ("6", ""):
        return Numeral(ChordParts(_spell(1, "II", home), TRIADS["maj"], "3"), "N6" + of)
    if name == "Cad" and figures in ("64", ""):
        triad = TRIADS["min" if scale_semitones(home)[2] == 3 else "maj"]
        return Numeral(ChordParts(_spell(0, "I", home), triad, "5"), "Cad64" + of)
    raise ChordError(f'"{label}" is not a Roman numeral; write N6 or Cad64')
