"""From a sentence to a `Rule`, with errors that point at the word and say what was expected."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import Any

from lark import Lark, Token, Transformer, UnexpectedInput, UnexpectedToken
from lark.exceptions import VisitError
from lark.lexer import Lexer

from retune.core.errors import InputError, RuleError
from retune.core.keys import parse_degree
from retune.rules.grammar import GRAMMAR, in_words
from retune.rules.model import (
    LAST,
    Except,
    FromTo,
    In,
    Interval,
    NamedNote,
    NoteAt,
    Over,
    Rule,
    Selector,
    Span,
    Target,
    Time,
    Where,
)
from retune.rules.words import ORDINALS, TYPES, Word, words_of

MAX_LENGTH = 2_000


class _Words(Lexer):
    """Hands the words of `rules.words` to the parser."""

    def __init__(self, lexer_conf: Any) -> None:
        self.conf = lexer_conf

    def lex(self, data: Any) -> Iterator[Token]:  # type: ignore[override]
        for word in data:
            yield Token(word.type, word, start_pos=word.column, column=word.column + 1)


@lru_cache(maxsize=1)
def _parser() -> Lark:
    return Lark(GRAMMAR, parser="lalr", lexer=_Words, start="rule", maybe_placeholders=False)


def parse_rule(text: str, *, stems: Sequence[str] = ()) -> Rule:
    """Read one rule.

    Parameters
    ----------
    text : str
        A sentence such as "move phrase-ending degree 2 to degree 1 in phrases 1-3".
    stems : sequence of str
        Names of the song's stems.

    Raises
    ------
    RuleError
        It does not read: column and length of the fault, what was expected, the nearest word.
    """
    if len(text) > MAX_LENGTH:
        raise RuleError(f"a rule of {len(text)} characters; {MAX_LENGTH} are allowed")
    words = words_of(text, stems=stems)
    if not words:
        raise RuleError("a rule begins with move, shift or keep", text=text)
    try:
        tree = _parser().parse(words)
        rule: Rule = _Reader(text).transform(tree)
    except UnexpectedInput as error:
        raise _fault(text, words, error) from None
    except VisitError as error:
        if isinstance(error.orig_exc, RuleError):
            raise error.orig_exc from None
        raise
    return rule


def is_comment(text: str) -> bool:
    """Whether a line holds no rule: blank, or a comment alone."""
    return not words_of_line(text)


def words_of_line(text: str) -> str:
    """The line without its comment, stripped."""
    from retune.rules.words import without_comment

    return without_comment(text).strip()


def _fault(text: str, words: Sequence[Word], error: UnexpectedInput) -> RuleError:
    """A parser's complaint in words."""
    accepted = sorted(_accepted(error))
    token = error.token if isinstance(error, UnexpectedToken) else None
    word = token.value if token is not None and isinstance(token.value, Word) else None
    if word is None:
        return RuleError(
            "the rule breaks off",
            text=text,
            column=len(text.rstrip()),
            expected=_expected(accepted, words),
        )
    if not words or word is words[0]:
        return RuleError(
            "a rule begins with move, shift or keep",
            text=text,
            column=word.column,
            length=word.length,
        )
    special = _special(text, word, accepted)
    if special is not None:
        return special
    typed = text[word.column : word.column + word.length]
    return RuleError(
        f'"{typed}" does not fit here',
        text=text,
        column=word.column,
        length=word.length,
        expected=_expected(accepted, words),
        nearest=_nearest(typed, accepted),
    )


def _special(text: str, word: Word, accepted: Sequence[str]) -> RuleError | None:
    where = {"text": text, "column": word.column, "length": word.length}
    if word.type == "DEGREENAME" and "DEGREE" in accepted and "PITCH" in accepted:
        name = word.value.lstrip("b#")
        letter = f'"B{name}"' if word.value == f"b{name}" else f'a note name such as "F{name}"'
        return RuleError(
            f'"{word.value}" alone could be a degree or a note: say "degree {word.value}" '
            f"or {letter}",
            **where,  # type: ignore[arg-type]
        )
    if {"UP", "DOWN"} <= set(accepted) and word.type not in ("NUMBER", "A"):
        return RuleError("a shift needs up or down", expected="up or down", **where)  # type: ignore[arg-type]
    return None


def _accepted(error: UnexpectedInput) -> set[str]:
    return set(getattr(error, "accepts", None) or getattr(error, "expected", None) or ())


def _expected(accepted: Sequence[str], words: Sequence[Word]) -> str:
    if "TO" in accepted and words and words[0].type == "MOVE":
        return '"to" and a target such as degree 1'
    if {"UP", "DOWN"} & set(accepted):
        return "up or down"
    names = list(dict.fromkeys(in_words(kind) for kind in accepted))
    if len(names) > 8:
        names = [*names[:8], "..."]
    return ", ".join(names)


def _nearest(typed: str, accepted: Sequence[str]) -> str:
    allowed = [word for word, kind in TYPES.items() if kind in accepted and word != ","]
    near = difflib.get_close_matches(typed.lower(), allowed, n=1, cutoff=0.6)
    return near[0] if near else ""


class _Reader(Transformer):  # type: ignore[type-arg]
    """Builds the value of a sentence from its tree."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text = text

    def _refuse(self, token: Token, problem: str, **more: str) -> RuleError:
        word = token.value
        return RuleError(problem, text=self.text, column=word.column, length=word.length, **more)

    # sentences
    def move(self, parts: list[Any]) -> Rule:
        (stems, what), target, *scopes = _without(parts, "MOVE", "TO")
        return Rule("move", stems, what, target=target, scopes=tuple(scopes))

    def shift(self, parts: list[Any]) -> Rule:
        (stems, what), interval, *scopes = _without(parts, "SHIFT")
        return Rule("shift", stems, what, interval=interval, scopes=tuple(scopes))

    def keep(self, parts: list[Any]) -> Rule:
        (stems, what), *scopes = _without(parts, "KEEP")
        return Rule("keep", stems, what, scopes=tuple(scopes))

    # what
    def whole(self, parts: list[Any]) -> tuple[Any, Any]:
        return parts[0], None

    def chosen(self, parts: list[Any]) -> tuple[Any, Any]:
        *stems, selector = parts
        return (stems[0] if stems else ()), selector

    def named(self, parts: list[Any]) -> tuple[Any, Any]:
        *stems, _, pitch = parts
        return (stems[0] if stems else ()), NamedNote(pitch.value.value)

    def at(self, parts: list[Any]) -> tuple[Any, Any]:
        stems = parts[0] if isinstance(parts[0], tuple) else ()
        return stems, NoteAt(self._time(parts[-1]))

    def stems(self, parts: list[Any]) -> tuple[str, ...]:
        names = [part.value.value for part in parts if part.type == "STEM"]
        return tuple(dict.fromkeys(names))

    def any_note(self, parts: list[Any]) -> Selector:
        return Selector(parts[0])

    def by_degree(self, parts: list[Any]) -> Selector:
        return Selector(parts[0], parts[-1])

    def ending_of(self, parts: list[Any]) -> _Within:
        return _Within(Selector("phrase-ending"), parts[-1])

    def opening_of(self, parts: list[Any]) -> _Within:
        return _Within(Selector("phrase-opening"), parts[-1])

    def kind(self, parts: list[Any]) -> str:
        return str(parts[0].value.value)

    def these(self, parts: list[Any]) -> In:
        return In("phrase", parts[-1])

    def last_one(self, parts: list[Any]) -> In:
        return In("phrase", (Span(LAST, LAST),))

    def all_of_them(self, parts: list[Any]) -> None:
        return None

    # degrees and targets
    def degrees(self, parts: list[Any]) -> tuple[str, ...]:
        return tuple(
            dict.fromkeys(
                part
                for part in parts
                if isinstance(part, str) and part != "," and not isinstance(part, Token)
            )
        )

    def degree(self, parts: list[Any]) -> str:
        token = parts[0]
        try:
            parse_degree(token.value.value)
        except InputError:
            raise self._refuse(
                token, f'"{token.value.value}" is not a degree', expected="degrees 1 to 7"
            ) from None
        return _Plain(token.value.value)

    def to_degree(self, parts: list[Any]) -> Target:
        return Target("degree", str(parts[1]), _side(parts[2:]))

    def to_tonic(self, parts: list[Any]) -> Target:
        return Target("degree", "1", _side(parts[1:]))

    def to_name(self, parts: list[Any]) -> Target:
        return Target("name", parts[0].value.value, _side(parts[1:]))

    def to_nearest(self, parts: list[Any]) -> Target:
        return Target("nearest", "", _side(parts[3:]))

    def to_member(self, parts: list[Any]) -> Target:
        return Target("member", parts[1], _side(parts[2:]))

    def member(self, parts: list[Any]) -> str:
        return str(parts[0].value.value)

    def side(self, parts: list[Any]) -> str:
        return str(parts[0].value.value)

    # intervals
    def way(self, parts: list[Any]) -> _Way:
        return _Way(parts[0].value.value)

    def interval(self, parts: list[Any]) -> Interval:
        way = next(part for part in parts if isinstance(part, _Way))
        amount, unit = next(part for part in parts if isinstance(part, tuple))
        return Interval(way, amount, unit)  # type: ignore[arg-type]

    def counted(self, parts: list[Any]) -> tuple[float, str]:
        token, unit = parts
        amount = float(token.value.value)
        if unit == "scale step" and amount != int(amount):
            raise self._refuse(token, "scale steps are whole", expected="a whole number")
        limit = {"semitone": 48, "cent": 4800, "scale step": 28, "octave": 4}[unit]
        if not 0 < amount <= limit:
            raise self._refuse(
                token, f"a shift of {amount:g} {unit}s", expected=f"more than 0, at most {limit}"
            )
        if unit in ("semitone", "octave") and amount != int(amount):
            raise self._refuse(
                token, f"{unit}s are whole", expected="a whole number, or cents for less"
            )
        return amount, unit

    def single(self, parts: list[Any]) -> tuple[float, str]:
        return 1.0, parts[-1]

    def named_interval(self, parts: list[Any]) -> tuple[float, str]:
        return float(ORDINALS[parts[-1].value.value]), "scale step"

    def semitone(self, parts: list[Any]) -> str:
        return "semitone"

    def cent(self, parts: list[Any]) -> str:
        return "cent"

    def scale_step(self, parts: list[Any]) -> str:
        return "scale step"

    def octave(self, parts: list[Any]) -> str:
        return "octave"

    # scopes
    def in_phrases(self, parts: list[Any]) -> In:
        return In("phrase", parts[-1])

    def in_last(self, parts: list[Any]) -> In:
        return In("phrase", (Span(LAST, LAST),))

    def in_bars(self, parts: list[Any]) -> In:
        return In("bar", parts[-1])

    def spans(self, parts: list[Any]) -> tuple[Span, ...]:
        return tuple(part for part in parts if isinstance(part, Span))

    def span(self, parts: list[Any]) -> Span:
        token = parts[0]
        low, _, high = token.value.value.partition("-")
        ends: list[Any] = [
            LAST if end == LAST else self._whole(token, end) for end in (low, high or low)
        ]
        if high and (0 in ends):
            raise self._refuse(
                token, "bars of a list count from 1", expected='"bar 0" alone for the pickup'
            )
        if ends[0] == LAST and ends[1] != LAST:
            raise self._refuse(token, "the list runs backwards", expected="low-high")
        if isinstance(ends[0], int) and isinstance(ends[1], int) and ends[0] > ends[1]:
            raise self._refuse(token, "the list runs backwards", nearest=f"{ends[1]}-{ends[0]}")
        return Span(ends[0], ends[1])

    def _whole(self, token: Token, text: str) -> int:
        if not text.isdecimal() or len(text) > 6:
            raise self._refuse(token, f'"{text}" is not a whole number', expected="a whole number")
        return int(text)

    def from_to(self, parts: list[Any]) -> FromTo:
        start, end = self._time(parts[1]), self._time(parts[3])
        if start.seconds is not None and end.seconds is not None and start.seconds >= end.seconds:
            raise self._refuse(parts[3], "the time after to must be later", expected="a later time")
        return FromTo(start, end)

    def _time(self, token: Token) -> Time:
        text = token.value.value
        if text.endswith("s"):
            return Time(seconds=float(text[:-1]))
        bar, _, beat = text.partition(":")
        if float(beat) < 1:
            raise self._refuse(token, "beats count from 1", expected="such as 9:1")
        return Time(bar=int(bar), beat=float(beat))

    def over(self, parts: list[Any]) -> Over:
        return Over(parts[-1])

    def chords(self, parts: list[Any]) -> tuple[str, ...]:
        labels = [part.value.value for part in parts if part.type == "CHORDLABEL"]
        return tuple(dict.fromkeys(labels))

    def over_tonic(self, parts: list[Any]) -> Over:
        return Over()

    def over_other(self, parts: list[Any]) -> Over:
        return Over(other_than_tonic=True)

    def where(self, parts: list[Any]) -> Where:
        return Where(not any(part.type == "NOT" for part in parts))

    def except_scope(self, parts: list[Any]) -> Except:
        return Except(parts[-1])

    def except_last(self, parts: list[Any]) -> Except:
        return Except(In("phrase", (Span(LAST, LAST),)))


class _Plain(str):
    """A degree already read, told apart from tokens."""


class _Way(str):
    """ "up" or "down"."""


class _Within(tuple[Any, Any]):
    """A selector together with the phrases that its words named."""

    def __new__(cls, selector: Selector, within: In | None) -> _Within:
        return super().__new__(cls, (selector, within))


def _without(parts: list[Any], *kinds: str) -> list[Any]:
    """The parts that are no keyword, "last note of phrase 2" opened into selector and scope."""
    left = [part for part in parts if not (isinstance(part, Token) and part.type in kinds)]
    stems, what = left[0]
    if isinstance(what, _Within):
        selector, within = what
        left[0] = (stems, selector)
        if within is not None:
            left.append(within)
    return left


def _side(parts: list[Any]) -> Any:
    return parts[0] if parts else None
