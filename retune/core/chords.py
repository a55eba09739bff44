"""Chord labels people type, read into one value: lead-sheet, Harte and Roman numerals.

Harte syntax: Harte, Sandler, Abdallah and Gomez 2005; its shorthands as in mir_eval 0.8.
Lead-sheet spellings are common practice, no source. Roman numerals are in `core.roman`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

from retune.core.carriers import Chord, Key
from retune.core.errors import ChordError
from retune.core.keys import degree_of, spell_degree, tonic_pc
from retune.core.pitch import accidental_semitones, ascii_accidentals, pitch_class_of

# Harte shorthand -> degrees counted from the major scale on the root.
SHORTHANDS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "maj": ("1", "3", "5"),
        "min": ("1", "b3", "5"),
        "dim": ("1", "b3", "b5"),
        "aug": ("1", "3", "#5"),
        "sus4": ("1", "4", "5"),
        "sus2": ("1", "2", "5"),
        "5": ("1", "5"),
        "1": ("1",),
        "7": ("1", "3", "5", "b7"),
        "maj7": ("1", "3", "5", "7"),
        "min7": ("1", "b3", "5", "b7"),
        "minmaj7": ("1", "b3", "5", "7"),
        "dim7": ("1", "b3", "b5", "bb7"),
        "hdim7": ("1", "b3", "b5", "b7"),
        "maj6": ("1", "3", "5", "6"),
        "min6": ("1", "b3", "5", "6"),
        "9": ("1", "3", "5", "b7", "9"),
        "maj9": ("1", "3", "5", "7", "9"),
        "min9": ("1", "b3", "5", "b7", "9"),
        "11": ("1", "3", "5", "b7", "9", "11"),
        "min11": ("1", "b3", "5", "b7", "9", "11"),
        "maj11": ("1", "3", "5", "7", "9", "11"),
        "13": ("1", "3", "5", "b7", "9", "11", "13"),
        "min13": ("1", "b3", "5", "b7", "9", "11", "13"),
        "maj13": ("1", "3", "5", "7", "9", "11", "13"),
    }
)
# Lead-sheet suffix -> (Harte shorthand, added degrees).
_SUFFIXES: Mapping[str, tuple[str, tuple[str, ...]]] = {
    **dict.fromkeys(("", "maj", "M"), ("maj", ())),
    **dict.fromkeys(("m", "min", "-"), ("min", ())),
    **dict.fromkeys(("dim", "o", "°"), ("dim", ())),
    **dict.fromkeys(("aug", "+"), ("aug", ())),
    **dict.fromkeys(("sus", "sus4"), ("sus4", ())),
    "sus2": ("sus2", ()),
    **dict.fromkeys(("5",), ("5", ())),
    **dict.fromkeys(("7", "dom7"), ("7", ())),
    **dict.fromkeys(("maj7", "M7", "Maj7", "ma7", "Δ", "Δ7", "j7"), ("maj7", ())),
    **dict.fromkeys(("m7", "min7", "-7", "mi7"), ("min7", ())),
    **dict.fromkeys(("mM7", "mmaj7", "minmaj7", "m(maj7)", "mMaj7"), ("minmaj7", ())),
    **dict.fromkeys(("dim7", "o7", "°7"), ("dim7", ())),
    **dict.fromkeys(("m7b5", "ø", "ø7", "m7(b5)", "min7b5", "-7b5"), ("hdim7", ())),
    **dict.fromkeys(("6", "maj6", "add6"), ("maj6", ())),
    **dict.fromkeys(("m6", "min6", "-6"), ("min6", ())),
    **dict.fromkeys(("69", "6/9", "6add9"), ("maj6", ("9",))),
    **dict.fromkeys(("m69", "m6/9"), ("min6", ("9",))),
    "9": ("9", ()),
    **dict.fromkeys(("maj9", "M9"), ("maj9", ())),
    **dict.fromkeys(("m9", "min9", "-9"), ("min9", ())),
    "11": ("11", ()),
    **dict.fromkeys(("m11", "min11"), ("min11", ())),
    **dict.fromkeys(("maj11", "M11"), ("maj11", ())),
    "13": ("13", ()),
    **dict.fromkeys(("m13", "min13"), ("min13", ())),
    **dict.fromkeys(("maj13", "M13"), ("maj13", ())),
    **dict.fromkeys(("add9", "add2", "(add9)", "2"), ("maj", ("9",))),
    **dict.fromkeys(("madd9", "m(add9)", "madd2"), ("min", ("9",))),
    **dict.fromkeys(("add4", "add11"), ("maj", ("11",))),
    **dict.fromkeys(("7sus", "7sus4"), ("sus4", ("b7",))),
    "7sus2": ("sus2", ("b7",)),
    **dict.fromkeys(("9sus", "9sus4"), ("sus4", ("b7", "9"))),
    **dict.fromkeys(("7b9", "7(b9)"), ("7", ("b9",))),
    **dict.fromkeys(("7#9", "7(#9)"), ("7", ("#9",))),
    **dict.fromkeys(("7#11", "7(#11)"), ("7", ("#11",))),
    **dict.fromkeys(("7b13", "7(b13)"), ("7", ("b13",))),
    **dict.fromkeys(("maj7#11", "M7#11", "maj7(#11)"), ("maj7", ("#11",))),
    **dict.fromkeys(("7b5", "7(b5)"), ("7", ("*5", "b5"))),
    **dict.fromkeys(("7#5", "7(#5)", "aug7", "+7", "7+"), ("7", ("*5", "#5"))),
    **dict.fromkeys(("b5", "(b5)"), ("maj", ("*5", "b5"))),
    **dict.fromkeys(("#5", "(#5)"), ("aug", ())),
}
_HARTE_DEGREE = re.compile(r"([b#]*)(1[0-3]|[1-9])")
_ROOT = re.compile(r"([A-G][b#]{0,2})(.*)", re.DOTALL)
_MAJOR = (0, 2, 4, 5, 7, 9, 11)
_MEMBER = {1: "root", 3: "third", 5: "fifth", 7: "seventh"}
_FROM_SEMITONE = ("1", "b2", "2", "b3", "3", "4", "b5", "5", "b6", "6", "b7", "7")
NO_CHORD = ("N", "N.C.", "NC", "n.c.")


def interval_semitone(degree: str) -> int:
    """Semitones of a chord degree ("b7", "#11") above the root, 0 to 11."""
    match = _HARTE_DEGREE.fullmatch(degree)
    if match is None:
        raise ChordError(f'"{degree}" is not a chord degree; use 1 to 13 with b or #')
    return (_MAJOR[(int(match[2]) - 1) % 7] + accidental_semitones(match[1])) % 12


def member_name(degree: str) -> str:
    """ "root", "third", "fifth", "seventh" or "extension" for a chord degree."""
    return _MEMBER.get(int(degree.lstrip("b#")), "extension")


def make_chord(
    root: str, degrees: tuple[str, ...], *, label: str, bass_pc: int, typed: str
) -> Chord:
    """A chord value from a root name and its degrees; a foreign bass adds no chord tone."""
    root_pc = pitch_class_of(root)
    tones: dict[int, str] = {}
    for degree in degrees:
        tones.setdefault((root_pc + interval_semitone(degree)) % 12, member_name(degree))
    return Chord(
        0.0,
        0.0,
        label=label,
        typed=typed,
        root_pc=root_pc,
        bass_pc=bass_pc,
        tones=tuple(tones.items()),
    )


def no_chord(typed: str = "N.C.") -> Chord:
    """Harte's "N": no chord sounds."""
    return Chord(0.0, 0.0, label="N", typed=typed)


def parse_chord(text: str, key: Key | None = None) -> Chord:
    """Read one chord label; start and end are 0 until a chart places it.

    Parameters
    ----------
    text : str
        "F7", "Bb/D", "F:7/3", "V65", "N.C.": letters begin lead-sheet and Harte labels,
        numerals Roman ones.
    key : Key or None
        Needed for Roman numerals; fills `roman` for the others.

    Raises
    ------
    ChordError
        The label does not read; says what does.
    """
    from retune.core import roman

    typed = text.strip()
    label = ascii_accidentals(typed)
    if label in NO_CHORD:
        return no_chord(typed)
    if label == "X":
        return Chord(0.0, 0.0, label="X", typed=typed)
    if roman.is_numeral(label):
        if key is None:
            raise ChordError(f'"{typed}" is a Roman numeral, which needs a key; write key = "..."')
        return replace(roman.parse_numeral(label, key), typed=typed)
    chord = _parse_lettered(label, typed)
    return replace(chord, roman=roman.roman_of(chord, key)) if key is not None else chord


def _parse_lettered(label: str, typed: str) -> Chord:
    match = _ROOT.fullmatch(label)
    if match is None:
        raise ChordError(f'"{typed}" is not a chord: {_what_is_wrong(label)}')
    root, rest = match.groups()
    if rest.startswith((":", "(")) or re.fullmatch(r"/[b#]*\d+", rest):
        return _parse_harte(root, rest, typed)
    suffix, bass = rest, ""
    if "/" in rest and not rest.endswith("/9"):
        suffix, _, bass = rest.rpartition("/")
    if bass == "" and rest.endswith("/"):
        raise ChordError(f'"{typed}" ends in "/": write the bass note after it, such as {root}/E')
    return _lead_sheet(root, suffix, bass, typed)


def _lead_sheet(root: str, suffix: str, bass: str, typed: str) -> Chord:
    found = _SUFFIXES.get(suffix)
    if found is None:
        near = _nearest_suffix(suffix)
        hint = f'; did you mean "{root}{near}"?' if near is not None else ""
        raise ChordError(f'"{typed}" is not a chord: "{suffix}" is not read after {root}{hint}')
    if bass and not re.fullmatch(r"[A-G][b#]{0,2}", bass):
        raise ChordError(f'"{typed}" is not a chord: "{bass}" is not a bass note (A to G)')
    return _harte_chord(root, *found, bass_pc=pitch_class_of(bass or root), typed=typed)


def _parse_harte(root: str, rest: str, typed: str) -> Chord:
    match = re.fullmatch(r"(?::([A-Za-z0-9]*))?(?:\(([^()]*)\))?(?:/([b#]*\d+))?", rest)
    if match is None or rest in (":", ""):
        raise ChordError(f'"{typed}" is not a Harte chord; write it like {root}:min7 or {root}:7/3')
    shorthand, listed, bass = match.groups()
    added = tuple(part.strip() for part in listed.split(",")) if listed is not None else ()
    if not shorthand:
        shorthand = "maj" if listed is None else ""
    if shorthand and shorthand not in SHORTHANDS:
        raise ChordError(
            f'"{typed}" is not a Harte chord: no shorthand "{shorthand}"; '
            f"there are {', '.join(SHORTHANDS)}"
        )
    for degree in added:
        interval_semitone(degree.removeprefix("*"))
    root_pc = pitch_class_of(root)
    bass_pc = (root_pc + interval_semitone(bass)) % 12 if bass else root_pc
    return _harte_chord(root, shorthand, added, bass_pc=bass_pc, typed=typed)


def _harte_chord(
    root: str, shorthand: str, added: tuple[str, ...], *, bass_pc: int, typed: str
) -> Chord:
    degrees = list(SHORTHANDS[shorthand]) if shorthand else ["1"]
    for degree in added:
        if degree.startswith("*"):
            gone = interval_semitone(degree[1:])
            degrees = [d for d in degrees if interval_semitone(d) != gone]
        elif degree not in degrees:
            degrees.append(degree)
    label = harte_label(root, shorthand, added, bass_pc)
    return make_chord(root, tuple(degrees), label=label, bass_pc=bass_pc, typed=typed)


def harte_label(root: str, shorthand: str, added: tuple[str, ...], bass_pc: int) -> str:
    """The canonical Harte label."""
    inside = f"({','.join(added)})" if added else ""
    above = (bass_pc - pitch_class_of(root)) % 12
    bass = f"/{_bass_degree(above, shorthand)}" if above else ""
    return f"{root}:{shorthand}{inside}{bass}"


def _bass_degree(semitone: int, shorthand: str) -> str:
    for degree in SHORTHANDS.get(shorthand, ()):
        if interval_semitone(degree) == semitone:
            return degree
    return _FROM_SEMITONE[semitone]


def _nearest_suffix(suffix: str) -> str | None:
    import difflib

    near = difflib.get_close_matches(suffix, [s for s in _SUFFIXES if s], n=1, cutoff=0.5)
    return near[0] if near else None


def _what_is_wrong(label: str) -> str:
    first = label[:1]
    if first.upper() == "H":
        return 'there is no H; for the note a semitone below C write "B"'
    if first.isalpha() and first.islower() and first.upper() in "ABCDEFG":
        return f'roots are capital letters; did you mean "{first.upper()}{label[1:]}"?'
    return "begin with a letter A to G, a Roman numeral, or N.C."


# --- what a chord is in its key ----------------------------------------------------------------


def has_member(chord: Chord, name: str) -> bool:
    """Whether the chord has a "third", "fifth", "seventh" ..."""
    return any(member == name for _, member in chord.tones)


def third_semitone(chord: Chord) -> int | None:
    """3, 4, or None for a chord without a third."""
    for pitch_class, member in chord.tones:
        if member == "third":
            return (pitch_class - chord.root_pc) % 12
    return None


def fifth_semitone(chord: Chord) -> int | None:
    """6, 7, 8, or None for a chord without a fifth."""
    for pitch_class, member in chord.tones:
        if member == "fifth":
            return (pitch_class - chord.root_pc) % 12
    return None


def seventh_semitone(chord: Chord) -> int | None:
    """9, 10, 11, or None for a chord without a seventh."""
    for pitch_class, member in chord.tones:
        if member == "seventh":
            return (pitch_class - chord.root_pc) % 12
    return None


def is_no_chord(chord: Chord | None) -> bool:
    """Whether nothing is known to sound: None, "N" or "X"."""
    return chord is None or chord.root_pc < 0


def is_tonic_chord(chord: Chord | None, key: Key) -> bool:
    """A triad on the tonic, major or minor (a Picardy third counts), with added 6, 9 or major
    7; a minor seventh makes it another chord (V7 of IV)."""
    if chord is None or is_no_chord(chord) or chord.root_pc != tonic_pc(key):
        return False
    third, fifth, seventh = third_semitone(chord), fifth_semitone(chord), seventh_semitone(chord)
    if third is None or fifth not in (7, None):
        return False
    if seventh is None or seventh == 11:
        return True
    return seventh == 10 and third == 3


def is_root_position(chord: Chord) -> bool:
    """Whether the root is in the bass."""
    return chord.bass_pc == chord.root_pc


def with_bass(chord: Chord, bass_pc: int, key: Key | None = None) -> Chord:
    """The same chord over another bass note, its label and numeral renewed."""
    if is_no_chord(chord) or bass_pc == chord.bass_pc:
        return chord
    from retune.core.roman import roman_of

    head = chord.label.split("/")[0]
    shorthand = head.partition(":")[2].split("(")[0]
    above = (bass_pc - chord.root_pc) % 12
    label = f"{head}/{_bass_degree(above, shorthand)}" if above else head
    moved = replace(chord, bass_pc=bass_pc, label=label)
    return replace(moved, roman=roman_of(moved, key)) if key is not None else moved


def chord_matches(chord: Chord | None, wanted: str, key: Key) -> bool:
    """Whether a sounding chord is what a rule's "over ..." means.

    A bare numeral or triad ("V", "F") also means its sevenths, extensions and inversions; a
    written figure or bass narrows ("V7": any form with a seventh; "V6", "F/A": that bass).

    Raises
    ------
    ChordError
        `wanted` does not read.
    """
    asked = parse_chord(wanted, key)
    if chord is None or is_no_chord(asked) or is_no_chord(chord):
        return chord is not None and is_no_chord(asked) and chord.label == asked.label
    if chord.root_pc != asked.root_pc:
        return False
    mine, theirs = third_semitone(chord), third_semitone(asked)
    if mine is not None and theirs is not None and mine != theirs:
        return False
    if not _fifths_agree(chord, asked):
        return False
    if has_member(asked, "seventh") and not has_member(chord, "seventh"):
        return False
    if has_member(asked, "extension") and not set(asked.tones) <= set(chord.tones):
        return False
    return is_root_position(asked) or asked.bass_pc == chord.bass_pc


def _fifths_agree(chord: Chord, asked: Chord) -> bool:
    mine, theirs = fifth_semitone(chord), fifth_semitone(asked)
    return mine is None or theirs is None or mine == theirs


def chord_degree(chord: Chord, key: Key) -> str:
    """The degree its root stands on."""
    return degree_of(chord.root_pc, key)


def root_name(chord: Chord, key: Key) -> str:
    """The root spelled for the key."""
    return spell_degree(chord_degree(chord, key), key)
