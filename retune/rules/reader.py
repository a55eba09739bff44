"""From the tree of a sentence to its `Rule`; refuses what the grammar alone cannot."""

from __future__ import annotations

import re
from typing import Any

from lark import Token, Transformer

from retune.carriers.errors import RuleError
from retune.carriers.text import cut_short
from retune.rules.model import (
    LAST,
    Action,
    AtCadences,
    Except,
    FromTo,
    In,
    InSection,
    Interval,
    NamedNote,
    NoteAt,
    OnBeats,
    OnWord,
    Over,
    Rule,
    Selector,
    Span,
    Target,
    Time,
    Timing,
    Where,
)
from retune.rules.words import ORDINALS

_DEGREE = re.compile(r"[b#]?[1-7]")
_NAMED_SPANS = {
    "penultimate": Span(-2, -2),
    "odd": Span(1, LAST, 2),
    "even": Span(2, LAST, 2),
}
_DIGITS = 6  # of a bar, a phrase or a whole second; more is a slip of the hand
LONGEST_BY = {"beat": 64, "second": 60}
_LARGEST = {"semitone": 48, "cent": 4800, "scale step": 28, "octave": 4}


class Reader(Transformer[Any, Any]):
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

    def hold(self, parts: list[Any]) -> Rule:
        return self._in_time("hold", parts)

    def shorten(self, parts: list[Any]) -> Rule:
        return self._in_time("shorten", parts)

    def delay(self, parts: list[Any]) -> Rule:
        return self._in_time("delay", parts)

    def bring(self, parts: list[Any]) -> Rule:
        return self._in_time("bring", parts)

    def suspend(self, parts: list[Any]) -> Rule:
        return self._in_time("suspend", parts)

    def _in_time(self, action: Action, parts: list[Any]) -> Rule:
        """A rule that moves the ends of notes; of a whole stem there is nothing to hold."""
        verb = parts[0]
        (stems, what), *rest = _without(parts, action.upper(), "TO", "BY", "LONGER", "EARLIER")
        if what is None:
            raise self._refuse(
                verb,
                f'"{action}" needs notes, not a whole stem',
                expected=f"such as {action} {stems[0]} phrase-ending note",
            )
        rest = [Timing(to=self._time(p)) if isinstance(p, Token) else p for p in rest]
        timing = next((part for part in rest if isinstance(part, Timing)), None)
        scopes = tuple(part for part in rest if not isinstance(part, Timing))
        return Rule(action, stems, what, scopes=scopes, timing=timing)

    def beats(self, parts: list[Any]) -> Timing:
        return self._timing(parts[0], _number(parts[0].value.value), "beat")

    def half_beat(self, parts: list[Any]) -> Timing:
        return Timing(0.5)

    def one_beat(self, parts: list[Any]) -> Timing:
        return Timing(1.0)

    def seconds(self, parts: list[Any]) -> Timing:
        time = self._time(parts[0])
        if time.seconds is None:
            raise self._refuse(
                parts[0], f"{time} is a place, not a length", expected='"to" before it'
            )
        return self._timing(parts[0], time.seconds, "second")

    def _timing(self, token: Token, amount: float, unit: Any) -> Timing:
        most = LONGEST_BY[unit]
        if not 0 < amount <= most:
            raise self._refuse(
                token, f"{amount:g} {unit}s", expected=f"more than 0, at most {most} {unit}s"
            )
        return Timing(amount, unit)

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

    def by_role(self, parts: list[Any]) -> Selector:
        return Selector(parts[0], role=parts[1])

    def sole_role(self, parts: list[Any]) -> str:
        return str(parts[0].value.value)

    def kind_of_note(self, parts: list[Any]) -> str:
        return str(parts[0].value.value)

    def member_role(self, parts: list[Any]) -> str:
        return str(parts[1])

    def ending_of(self, parts: list[Any]) -> _Within:
        return _Within(Selector("phrase-ending"), parts[-1])

    def opening_of(self, parts: list[Any]) -> _Within:
        return _Within(Selector("phrase-opening"), parts[-1])

    def kind(self, parts: list[Any]) -> str:
        return str(parts[0].value.value)

    def these(self, parts: list[Any]) -> In:
        return In("phrase", self._counted_from_one(parts[-1], "phrase"))

    def last_one(self, parts: list[Any]) -> In:
        return In("phrase", (Span(LAST, LAST),))

    def all_of_them(self, parts: list[Any]) -> None:
        return None

    # degrees and targets
    def degrees(self, parts: list[Any]) -> tuple[str, ...]:
        return tuple(dict.fromkeys(str(part) for part in parts if isinstance(part, _Plain)))

    def degree(self, parts: list[Any]) -> str:
        token = parts[0]
        if not _DEGREE.fullmatch(token.value.value):
            raise self._refuse(
                token,
                f'"{token.value.value}" is not a degree',
                expected="degrees 1 to 7, or b or # and one of these",
            )
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

    def to_resolution(self, parts: list[Any]) -> Target:
        return Target("resolution")

    def to_note_before(self, parts: list[Any]) -> Target:
        return Target("before")

    def to_note_after(self, parts: list[Any]) -> Target:
        return Target("after")

    def to_ending(self, parts: list[Any]) -> Target:
        (span,) = self._counted_from_one((parts[-1],), "phrase")
        if span.low != span.high:
            raise self._refuse(parts[-1][1], "one phrase is meant", expected="the number of one")
        return Target("ending", str(span))

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
        # The grammar gives `parts` in any order and of many kinds; it is what warrants their types.
        return Interval(way, amount, unit)  # type: ignore[arg-type]

    def counted(self, parts: list[Any]) -> tuple[float, str]:
        token, unit = parts
        amount = _number(token.value.value)
        if unit == "scale step" and amount != int(amount):
            raise self._refuse(token, "scale steps are whole", expected="a whole number")
        limit = _LARGEST[unit]
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
        return In("phrase", self._counted_from_one(parts[-1], "phrase"))

    def in_last(self, parts: list[Any]) -> In:
        return In("phrase", (Span(LAST, LAST),))

    def in_bars(self, parts: list[Any]) -> In:
        return In("bar", self._counted_from_one(parts[-1], "bar"))

    def in_section(self, parts: list[Any]) -> InSection:
        _, _, title, *which = parts
        if not title.value.value.strip():
            raise self._refuse(title, "a section without a name", expected="such as chorus")
        return InSection(title.value.value, which[0] if which else "")

    def which(self, parts: list[Any]) -> str:
        first = self._end(parts[0], parts[0].value.value)
        if first == 0:
            raise self._refuse(parts[0], "sections of a name count from 1")
        return str(first)

    def at_cadences(self, parts: list[Any]) -> AtCadences:
        return AtCadences(parts[1])

    def cadences(self, parts: list[Any]) -> tuple[str, ...]:
        return tuple(dict.fromkeys(str(part) for part in parts if isinstance(part, _Plain)))

    def cadence(self, parts: list[Any]) -> str:
        return _Plain(" ".join(part.value.value for part in parts))

    def on_beats(self, parts: list[Any]) -> OnBeats:
        beats: dict[float, None] = {}
        for part in parts:
            if part.type == "NUMBER":
                beat = _number(part.value.value)
                if not 1 <= beat < 100:
                    raise self._refuse(part, "beats count from 1", expected="such as beat 3")
                beats[beat] = None
        return OnBeats(tuple(beats))

    def on_word(self, parts: list[Any]) -> OnWord:
        word = parts[-1].value.value.strip()
        if not word:
            raise self._refuse(parts[-1], "no word is named", expected='such as on word "home"')
        return OnWord(word)

    def spans(self, parts: list[Any]) -> tuple[tuple[Span, Token], ...]:
        return tuple(part for part in parts if isinstance(part, tuple))

    def span(self, parts: list[Any]) -> tuple[Span, Token]:
        token = parts[0]
        if token.value.value in _NAMED_SPANS:
            return _NAMED_SPANS[token.value.value], token
        low, _, high = token.value.value.partition("-")
        first, last = self._end(token, low), self._end(token, high or low)
        if isinstance(last, int) and (first == LAST or first > last):
            nearest = "" if first == LAST else f"{last}-{first}"
            raise self._refuse(token, "the list runs backwards", nearest=nearest)
        return Span(first, last), token

    def stepped(self, parts: list[Any]) -> tuple[Span, Token]:
        span, token = self.span(parts[:1])
        step = self._end(parts[2], parts[2].value.value)
        if step < 1:
            raise self._refuse(parts[2], "a step of 0", expected="1 or more")
        return Span(span.low, span.high, step), token

    def final(self, parts: list[Any]) -> tuple[Span, Token]:
        number = self._end(parts[1], parts[1].value.value)
        if number < 2:
            raise self._refuse(parts[1], "final counts from 2", expected='"last" for one')
        return Span(-number, LAST), parts[1]

    def _end(self, token: Token, text: str) -> Any:
        if text == LAST:
            return LAST
        if not text.isdecimal() or len(text) > _DIGITS:
            raise self._refuse(
                token, f'"{cut_short(text)}" is no such number', expected="a whole number"
            )
        return int(text)

    def _counted_from_one(self, spans: Any, what: str) -> tuple[Span, ...]:
        """The spans of a list; 0 stands for the pickup, and only alone."""
        for span, token in spans:
            if span.low == 0 and (what == "phrase" or len(spans) > 1 or span.high != 0):
                may = "" if what == "phrase" else 'from 1 on, or "bar 0" alone for the pickup'
                raise self._refuse(token, f"{what}s of a list count from 1", expected=may)
        return tuple(span for span, _ in spans)

    def from_to(self, parts: list[Any]) -> FromTo:
        start, end = self._time(parts[1]), self._time(parts[3])
        both_s = start.seconds is not None and end.seconds is not None
        both_bars = start.seconds is None and end.seconds is None
        if (both_s or both_bars) and _order(start) >= _order(end):
            raise self._refuse(
                parts[3], f"{end} does not come after {start}", expected="a later time"
            )
        return FromTo(start, end)

    def _time(self, token: Token) -> Time:
        text = token.value.value.lower()
        if len(text.replace(":", ".").partition(".")[0].rstrip("s")) > _DIGITS:
            raise self._refuse(
                token, f"{cut_short(text)} is no such time", expected="a time in the song"
            )
        if text.endswith("s"):
            return Time(seconds=_number(text[:-1]))
        bar, _, beat = text.partition(":")
        if not 1 <= _number(beat) < 100:
            raise self._refuse(token, "beats count from 1", expected="such as 9:1")
        return Time(bar=int(bar), beat=_number(beat))

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


def _number(text: str) -> float:
    """A number as rules print it, to a millionth; "1/3" is a third."""
    top, _, bottom = text.partition("/")
    return round(float(top) / float(bottom or 1), 6)


def _order(time: Time) -> tuple[float, float]:
    return (time.seconds or 0.0, 0.0) if time.seconds is not None else (time.bar, time.beat)
