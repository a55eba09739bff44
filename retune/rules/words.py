"""From a sentence to words with a type and a column.

Words are free in case and spacing; note names, chord labels and numerals keep theirs. What a
word may be depends on what stands before it: after "over" come chords, after the verb stems.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from retune.carriers.errors import ChordError, InputError, RuleError
from retune.carriers.text import cut_short
from retune.rules.scopes import NOTE_VALUES
from retune.theory.chords import nearest_chord, parse_chord
from retune.theory.keys import parse_key
from retune.theory.pitchnames import ascii_accidentals, parse_pitch_name

_COUNTED = "one two three four five six seven eight nine ten eleven twelve"
NUMBERS = {word: str(number) for number, word in enumerate(_COUNTED.split(), start=1)}
ORDINALS = {"second": 1, "third": 2, "fourth": 3, "fifth": 4, "sixth": 5, "seventh": 6}
_KEYWORDS = """
move shift keep to in from over except not where it is chord tone tonic other than nearest
above below up down note at degree phrase bar last first of every highest lowest longest
phrase-ending phrase-opening phrase-downbeat semitone cent scale step octave root
phrase-penultimate phrase-antepenultimate phrase-pickup phrase-second phrase-third phrase-fourth
song-highest song-lowest song-longest song-shortest shortest its resolution before after ending
section cadence on beat
word penultimate odd even final perfect imperfect authentic half phrygian plagal deceptive
hold shorten delay bring suspend by longer earlier
bar-opening bar-ending bar-highest bar-lowest bar-longest bar-shortest
flat sharp with without slow fast glide percent vibrato moved formant
"""
NAMES_TOO = frozenset(
    ("song", "open", "closed", "strong", "weak", "off", "until", "higher", "lower", "shorter",
     "blue", "major", "minor", "leap", "rise", "fall", "lasting", "repeated", "rest", "more",
     "less", "tail", *NOTE_VALUES)
)  # fmt: skip
"""Words that stand only where no stem can be named: stems may be called so."""
_ROLES = "suspension retardation appoggiatura anticipation"
_ROLE_KINDS = "passing neighbour changing escape pedal blue unresolved"
_BEFORE_CHORD = frozenset(("tonic", "other", "major", "minor"))
_COUNTABLE = f"""
note degree phrase bar tone semitone cent step octave chord beat cadence formant {_ROLES}
phrase-ending phrase-opening phrase-downbeat
"""
_SINGULAR = {f"{word}s": word for word in _COUNTABLE.split()}
TYPES: Mapping[str, str] = {
    **{word: word.upper().replace("-", "_") for word in (*_KEYWORDS.split(), *sorted(NAMES_TOO))},
    **dict.fromkeys(("a", "an"), "A"),
    **dict.fromkeys((",", "and", "or"), "SEP"),
    **dict.fromkeys(("second", "fourth", "sixth"), "ORDINAL"),
    **dict.fromkeys(("third", "fifth", "seventh"), "MEMBER"),
    **dict.fromkeys(_ROLES.split(), "ROLE"),
    **dict.fromkeys(_ROLE_KINDS.split(), "ROLEKIND"),
    **dict.fromkeys(NOTE_VALUES, "VALUE"),
}
WORDS = tuple(sorted({*TYPES, *_SINGULAR, *NUMBERS} - {","}))
VERBS = ("MOVE", "SHIFT", "KEEP", "HOLD", "SHORTEN", "DELAY", "BRING", "SUSPEND")
BEGINS = "a rule begins with move, shift or keep, or hold, shorten, delay, bring or suspend"

# A "#" is a comment at the start of a line, or before a space: but not that of a note ("F# in").
_COMMENT = re.compile(r"^\s*#|(?<![A-G#])#(?=\s|$)")
_END = r"(?![\w:.#/])"
_PIECE = re.compile(
    rf"""(?P<range>(?:\d+|last)\s*[-–]\s*(?:\d+|last)){_END}
    |(?P<time>\d+(?:\.\d+)?\s+s(?:ec(?:onds?)?)?){_END}
    |(?P<quoted>"[^"]*")
    |(?P<kind>phrase(?:\s+|\s*-\s*)(?:ending|opening|downbeat)s?)(?![\w-])
    |(?P<other>,|(?:\([^()\s]*\)|[^\s,])+)""",
    re.VERBOSE | re.IGNORECASE | re.ASCII,
)
_TIME = re.compile(r"\d+(?:\.\d+)?s|\d+:\d+(?:\.\d+)?", re.ASCII)
_PITCH = re.compile(r"[A-G][b#]{0,2}(?:-?\d+)?", re.ASCII)
_DEGREE = re.compile(r"[b#]+\d+", re.ASCII)
_NUMBER = re.compile(r"\d+(?:\.\d+)?|\d{1,3}/[1-9]\d{0,2}", re.ASCII)
_C = parse_key("C major")


@dataclass(frozen=True)
class Word:
    """A word of a rule: its type for the grammar, its value, and where it stands."""

    type: str
    value: str
    column: int
    length: int


def without_comment(text: str) -> str:
    """A sentence without its comment.

    >>> without_comment("move note F# to degree #4 # so"), without_comment("# all of it")
    ('move note F# to degree #4 ', '')
    """
    match = _COMMENT.search(text)
    return text if match is None else text[: match.start()]


def words_of(text: str, *, stems: Sequence[str]) -> list[Word]:
    """The words of a sentence; "the" and a full stop at the end are passed over.

    Raises
    ------
    RuleError
        A word that nothing reads; offers the nearest that does.
    """
    found: list[Word] = []
    for piece, column, length in _pieces(without_comment(text)):
        if piece.lower() != "the" or text[column] == '"':  # a word of the song may be "the"
            kind, value = _Place(text, column, length, tuple(found), tuple(stems)).read(piece)
            found.append(Word(kind, value, column, length))
    return found


def _pieces(text: str) -> Iterator[tuple[str, int, int]]:
    text = text.rstrip()
    if text.endswith(".") and not text.endswith("C."):
        text = text[:-1]
    for match in _PIECE.finditer(text):
        piece = match[0]
        if match["range"] or match["time"]:
            piece = re.sub(r"\s|(?<=s)ec(?:onds?)?$", "", piece.replace("–", "-").lower())
        elif match["quoted"]:
            piece = piece.strip('"')
        elif match["kind"]:
            piece = "-".join(re.split(r"[\s-]+", piece))
        yield piece, match.start(), len(match[0])


@dataclass(frozen=True)
class _Place:
    """Where a word stands, and what stands before it."""

    text: str
    column: int
    length: int
    before: tuple[Word, ...]
    stems: tuple[str, ...]

    def read(self, piece: str) -> tuple[str, str]:
        """Type and value of a word."""
        if self.may_be("TITLE", after=("SECTION", "WORD")):
            return "TITLE", piece
        lower = _SINGULAR.get(piece.lower(), piece.lower())
        if self.may_be("CHORDLABEL", after=("OVER",)) and lower not in _BEFORE_CHORD:
            return "CHORDLABEL", self._chord(piece)
        stem = self._stem(piece)
        if stem and self.may_be("STEM", after=VERBS):
            return "STEM", stem
        # A capital A is a note, but for an interval "DOWN A THIRD".
        if lower in TYPES and (piece != "A" or self.may_be("A", after=("UP", "DOWN"))):
            return TYPES[lower], lower
        if lower in NUMBERS:
            return "NUMBER", NUMBERS[lower]
        plain = self._plain(piece, lower)
        if plain is not None:
            return plain
        if stem:
            return "STEM", stem
        raise self._unknown(piece)

    def may_be(self, kind: str, *, after: Sequence[str]) -> bool:
        """Whether a list of `kind` begins or goes on here."""
        types = [word.type for word in self.before[-2:]]
        return bool(types) and (types[-1] in after or types == [kind, "SEP"])

    def refuse(self, problem: str, *, expected: str = "", nearest: str = "") -> RuleError:
        return RuleError(
            problem,
            text=self.text,
            column=self.column,
            length=self.length,
            expected=expected,
            nearest=nearest,
        )

    def _stem(self, piece: str) -> str:
        """The stem of that name, in its own case; "" for none."""
        if piece in self.stems:
            return piece
        same = [stem for stem in self.stems if stem.lower() == piece.lower()]
        return same[0] if len(same) == 1 else ""

    def _plain(self, piece: str, lower: str) -> tuple[str, str] | None:
        """What reads by its shape: a range, a time, a number, a note name, a degree."""
        ascii_piece = ascii_accidentals(piece)
        if re.fullmatch(r"(\d+|last)-(\d+|last)", lower, re.ASCII):
            return "RANGE", lower
        if _TIME.fullmatch(lower):
            return "TIME", lower
        if _NUMBER.fullmatch(piece):
            return "NUMBER", piece
        if _PITCH.fullmatch(ascii_piece):
            self._check_pitch(ascii_piece)
            return "PITCH", ascii_piece
        if _DEGREE.fullmatch(ascii_piece):
            return "DEGREENAME", ascii_piece
        return None

    def _check_pitch(self, name: str) -> None:
        if not name[-1].isdigit():
            return
        try:
            parse_pitch_name(name)
        except InputError:
            raise self.refuse(
                f'"{name}" is no pitch', expected="a note name from C-1 to G9"
            ) from None

    def _chord(self, piece: str) -> str:
        label = ascii_accidentals(piece)
        try:
            parse_chord(label, _C)
        except ChordError:
            raise self.refuse(
                f'"{cut_short(piece)}" is not a chord or a numeral',
                expected="a chord such as F7, a numeral such as V, or tonic chord",
                nearest=nearest_chord(label) if len(label) <= 20 else "",
            ) from None
        return label

    def _unknown(self, piece: str) -> RuleError:
        lower = piece.lower()
        if not self.before:
            return self.refuse(
                BEGINS,
                nearest=_first(difflib.get_close_matches(lower, [v.lower() for v in VERBS], n=1)),
            )
        upper = ascii_accidentals(piece[:1].upper() + piece[1:])
        if _PITCH.fullmatch(upper):
            return self.refuse(
                f'"{cut_short(piece)}" is no note name: its letter is a capital', nearest=upper
            )
        near = _first(difflib.get_close_matches(lower, [*WORDS, *self.stems], n=1, cutoff=0.7))
        if self.may_be("STEM", after=VERBS) and not near:
            known = ", ".join(self.stems) or "not known"
            return self.refuse(f'there is no stem "{cut_short(piece)}"; the stems are {known}')
        return self.refuse(f'unknown word "{cut_short(piece)}"', nearest=near)


def _first(found: Sequence[str]) -> str:
    return found[0] if found else ""
