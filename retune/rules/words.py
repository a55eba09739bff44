"""From a sentence to words with a type and a column. Words are free in case and spacing; note
names, chord labels and numerals keep theirs."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from retune.core.errors import ChordError, RuleError
from retune.core.keys import parse_key

_COUNTED = """
one two three four five six seven eight nine ten eleven twelve
"""
NUMBERS = {word: str(number) for number, word in enumerate(_COUNTED.split(), start=1)}
ORDINALS = {"second": 1, "third": 2, "fourth": 3, "fifth": 4, "sixth": 5, "seventh": 6}
_PLURAL = {
    "notes": "note",
    "degrees": "degree",
    "phrases": "phrase",
    "bars": "bar",
    "tones": "tone",
    "semitones": "semitone",
    "cents": "cent",
    "steps": "step",
    "octaves": "octave",
    "phrase-endings": "phrase-ending",
    "phrase-openings": "phrase-opening",
    "phrase-downbeats": "phrase-downbeat",
    "chords": "chord",
}
_KEYWORDS = """
move shift keep to in from over except not where it is chord tone tonic other than nearest
above below up down note at degree phrase bar last first of every highest lowest longest
phrase-ending phrase-opening phrase-downbeat semitone cent scale step octave root
"""
TYPES: Mapping[str, str] = {
    **{word: word.upper().replace("-", "_") for word in _KEYWORDS.split()},
    **dict.fromkeys(("a", "an"), "A"),
    **dict.fromkeys((",", "and", "or"), "SEP"),
    **dict.fromkeys(("second", "fourth", "sixth"), "ORDINAL"),
    **dict.fromkeys(("third", "fifth", "seventh"), "MEMBER"),
}
WORDS = sorted({*TYPES, *_PLURAL, *NUMBERS} - {","})
_LOOSE = re.compile(r"(?<=[\dt])\s*[-–]\s*(?=\d|last\b)", re.IGNORECASE)
_PIECE = re.compile(r"[^\s,]+|,")
_RANGE = re.compile(r"(\d+|last)[-–](\d+|last)", re.IGNORECASE)
_TIME = re.compile(r"\d+(?:\.\d+)?s|\d+:\d+(?:\.\d+)?")
_PITCH = re.compile(r"[A-G][b#♭♯]{0,2}(?:-?\d)?")
_DEGREE = re.compile(r"[b#♭♯]+\d+")
_NUMBER = re.compile(r"\d+(?:\.\d+)?")
_C = parse_key("C major")


@dataclass(frozen=True)
class Word:
    """A word of a rule: its type for the grammar, its value, and where it stands."""

    type: str
    value: str
    column: int
    length: int


def without_comment(text: str) -> str:
    """A sentence without its comment: "#" at the start of the line or before a space."""
    match = re.search(r"(?:^\s*#)|#(?=\s|$)", text)
    return text if match is None else text[: match.start()]


def words_of(text: str, *, stems: Sequence[str]) -> list[Word]:
    """The words of a sentence.

    Raises
    ------
    RuleError
        A word that nothing reads; offers the nearest that does.
    """
    found: list[Word] = []
    for piece, column in _pieces(without_comment(text)):
        if piece.lower() == "the":
            continue
        found.append(_word(text, piece, column, found, stems))
    return found


def _pieces(text: str) -> Iterator[tuple[str, int]]:
    # A range may be spaced out; the blanks inside it move to its end, so columns hold.
    tight = _LOOSE.sub(lambda m: "-" + "\0" * (len(m[0]) - 1), text)
    for match in _PIECE.finditer(tight):
        yield match[0].replace("\0", ""), match.start()


def _word(text: str, piece: str, column: int, before: Sequence[Word], stems: Sequence[str]) -> Word:
    def word(kind: str, value: str) -> Word:
        return Word(kind, value, column, len(piece))

    if _in_chords(before):
        chord = _chord_word(text, piece, column)
        if chord is not None:
            return word("CHORDLABEL", chord)
    if piece in stems and _in_stems(before):
        return word("STEM", piece)
    lower = piece.lower()
    lower = _PLURAL.get(lower, lower)
    if lower in TYPES and piece != "A":
        return word(TYPES[lower], lower)
    if lower in NUMBERS:
        return word("NUMBER", NUMBERS[lower])
    if _RANGE.fullmatch(lower):
        return word("RANGE", lower.replace("–", "-"))
    if _TIME.fullmatch(piece):
        return word("TIME", piece)
    if _NUMBER.fullmatch(piece):
        return word("NUMBER", piece)
    if _PITCH.fullmatch(piece):
        return word("PITCH", _ascii(piece))
    if _DEGREE.fullmatch(piece):
        return word("DEGREENAME", _ascii(piece))
    raise _unknown(text, piece, column, before, stems)


def _ascii(piece: str) -> str:
    return piece.replace("♭", "b").replace("♯", "#")


def _in_stems(before: Sequence[Word]) -> bool:
    """Whether a stem may stand here: after the verb, or after a stem and a comma."""
    if not before or before[-1].type in ("MOVE", "SHIFT", "KEEP"):
        return bool(before)
    return len(before) > 1 and before[-1].type == "SEP" and before[-2].type == "STEM"


def _in_chords(before: Sequence[Word]) -> bool:
    if not before:
        return False
    if before[-1].type == "OVER":
        return True
    return len(before) > 1 and before[-1].type == "SEP" and before[-2].type == "CHORDLABEL"


def _chord_word(text: str, piece: str, column: int) -> str | None:
    """The label, or None for a word of "over tonic chord" and "over other than tonic chord"."""
    from retune.core.chords import parse_chord

    if piece.lower() in ("tonic", "other"):
        return None
    try:
        parse_chord(piece, _C)
    except ChordError as error:
        raise RuleError(
            f'"{piece}" is not a chord or a numeral',
            text=text,
            column=column,
            length=len(piece),
            expected="a chord such as F7, a numeral such as V, or tonic chord",
            nearest=_nearest_from(str(error)),
        ) from None
    return _ascii(piece)


def _nearest_from(message: str) -> str:
    match = re.search(r'did you mean "([^"]+)"', message)
    return match[1] if match else ""


def _unknown(
    text: str, piece: str, column: int, before: Sequence[Word], stems: Sequence[str]
) -> RuleError:
    near = difflib.get_close_matches(piece.lower(), [*WORDS, *stems], n=1, cutoff=0.6)
    where = {"text": text, "column": column, "length": len(piece)}
    if not before:
        return RuleError(
            "a rule begins with move, shift or keep",
            nearest=near[0] if near and near[0] in ("move", "shift", "keep") else "",
            **where,  # type: ignore[arg-type]
        )
    if _in_stems(before) and not near:
        return RuleError(
            f'there is no stem "{piece}"; the stems are {", ".join(stems) or "none"}',
            **where,  # type: ignore[arg-type]
        )
    return RuleError(
        f'unknown word "{piece}"',
        nearest=near[0] if near else "",
        **where,  # type: ignore[arg-type]
    )
