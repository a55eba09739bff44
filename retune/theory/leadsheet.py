"""Lead-sheet chords as people type them: "Bb", "Cm7b5", "F#7(b9)/A#". Common practice, no source.

The accidental after the letter belongs to the root: "Cb5" is a power chord on C flat; write
"C(b5)" for C with a flat fifth. The root of a chord is a capital letter.
"C2" is "Cadd9": it keeps its third.
"""

from __future__ import annotations

import re
from functools import lru_cache

from retune.theory.chordparts import ChordParts, bass_degree, sorted_degrees
from retune.theory.chordtables import LEAD_QUALITIES, STACKS, TRIADS
from retune.theory.pitchnames import ascii_accidentals, pitch_class_of

_QUALITY = "|".join(re.escape(word) for word in sorted(LEAD_QUALITIES, key=len, reverse=True))
_MAJOR_SEVENTH = r"(?:[Mm]aj|MAJ|[Mm]a|M|Δ|△|\^)"
_HEAD = re.compile(
    # "Amadd9" is A minor with a ninth, not "Ama" and "dd9".
    rf"(?P<quality>m(?=add)|{_QUALITY})?(?P<major>[(\s]*{_MAJOR_SEVENTH}(?=[79]|1[13]|$|\)))?"
    r"(?P<number>6/9|69|6|7|9|11|13|5|2)?"
)
_CHANGE = re.compile(
    r"(?P<sus>sus[24]?)|add(?P<add>[b#]?(?:2|4|6|9|11|13))|(?:no|omit)(?P<no>[35])"
    r"|(?P<sign>[b#+-])(?P<altered>5|9|11|13)|(?P<alt>alt)|(?P<raised>\+|aug)"
)
_SLASH = re.compile(r"(?P<body>.*?)/(?P<bass>[A-G][b#]{0,2})")
_ADDED = {"2": "9", "4": "11"}


@lru_cache(maxsize=4096)
def read_lead_sheet(text: str) -> ChordParts | None:
    """The parts of a lead-sheet chord, or None when it does not read as one."""
    plain = ascii_accidentals(text.strip())
    slash = _SLASH.fullmatch(plain)
    body, bass = (slash["body"], slash["bass"]) if slash else (plain, "")
    root = re.match(r"[A-G](?:b{1,2}|#{1,2})?", body)
    if root is None:
        return None
    degrees = _read_suffix(body[root.end() :])
    if degrees is None:
        return None
    parts = ChordParts(root[0], sorted_degrees(degrees))
    if not bass:
        return parts
    below = bass_degree(parts, pitch_class_of(bass), bass)
    if below in ("b7", "7") and not any(degree.endswith("7") for degree in degrees):
        # "Am/G" is a seventh chord with its seventh in the bass, however it is typed.
        degrees = degrees | {below}
    return ChordParts(root[0], sorted_degrees(degrees), below)


def _read_suffix(suffix: str) -> set[str] | None:
    """Degrees of what follows the root."""
    head = _HEAD.match(suffix)
    if head is None or suffix.count("(") != suffix.count(")"):
        return None
    quality = LEAD_QUALITIES[head["quality"]] if head["quality"] else ""
    number = (head["number"] or "").replace("/", "")
    degrees = _stack(quality, number, major=bool(head["major"]), word=head["quality"] or "")
    return None if degrees is None else change_degrees(degrees, suffix[head.end() :])


def _stack(quality: str, number: str, *, major: bool, word: str) -> set[str] | None:
    """The triad with its seventh and more; None where number and quality do not go together."""
    degrees = set(TRIADS[quality])
    if number == "5":
        return {"": {"1", "5"}, "+": degrees}.get(word)
    if number == "2":
        return degrees | {"9"} if quality in ("", "maj", "min") and not major else None
    if not number:
        if quality == "delta" or major:
            degrees.add("7")
        return degrees | {"b7"} if quality == "hdim" else degrees
    if (quality == "dim" and number != "7") or (quality == "hdim" and number not in ("7", "9")):
        return None
    seventh = "7" if major or quality in ("maj", "delta") else "bb7" if quality == "dim" else "b7"
    return degrees | {seventh if degree == "7" else degree for degree in STACKS[number]}


def change_degrees(degrees: set[str], text: str) -> set[str] | None:
    """`degrees` with "sus4", "add9", "b9", "no3" ... carried out; None when `text` does not read.
    Brackets, commas and spaces only part the words."""
    rest = re.sub(r"[(),\s]+", " ", text).strip()
    while rest:
        match = _CHANGE.match(rest)
        if match is None:
            return None
        degrees = _changed(degrees, match)
        rest = rest[match.end() :].strip()
    return degrees


def _changed(degrees: set[str], match: re.Match[str]) -> set[str]:
    if match["sus"]:
        return degrees - {"3", "b3"} | {match["sus"][3:] or "4"}
    if match["add"]:
        return degrees | {_ADDED.get(match["add"], match["add"])}
    if match["no"]:
        return {degree for degree in degrees if degree.lstrip("b#") != match["no"]}
    if match["alt"]:
        return degrees - {"5", "9"} | {"b5", "#5", "b7", "b9", "#9"}
    if match["raised"]:
        return degrees - {"5"} | {"#5"}
    sign = {"+": "#", "-": "b"}.get(match["sign"], match["sign"])
    return degrees - {match["altered"]} | {sign + match["altered"]}
