"""From the tree of a sentence to its `Rule`; refuses what the grammar alone cannot."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

from lark import Token

from retune.rules.model import (
    AS_SUNG,
    Action,
    Interval,
    Manner,
    NamedNote,
    NoteAt,
    Rule,
    Selector,
    Target,
    Timing,
)
from retune.rules.reader_scopes import PlainText, ScopeReader, number_of
from retune.rules.scopes import LAST, In, Span
from retune.rules.words import ORDINALS

_DEGREE = re.compile(r"[b#]?[1-7]")
MOST_OFF_CENTS = 100
MOST_VIBRATO = 200  # percent of what was sung
LONGEST_BY = {"beat": 64, "second": 60}
_LARGEST = {"semitone": 48, "cent": 4800, "scale step": 28, "octave": 4}


class Reader(ScopeReader):
    """Builds the value of a sentence from its tree."""

    # sentences
    def move(self, parts: list[Any]) -> Rule:
        (stems, what), target, *rest = _without(parts, "MOVE", "TO")
        scopes, manner = self._mannered(rest)
        return Rule("move", stems, what, target=target, scopes=scopes, manner=manner)

    def shift(self, parts: list[Any]) -> Rule:
        (stems, what), interval, *rest = _without(parts, "SHIFT")
        scopes, manner = self._mannered(rest)
        return Rule("shift", stems, what, interval=interval, scopes=scopes, manner=manner)

    def _mannered(self, parts: list[Any]) -> tuple[tuple[Any, ...], Manner]:
        """The scopes among some parts, and what all others say of how the note sounds."""
        manner = AS_SUNG
        for token, told in (part for part in parts if isinstance(part, _Told)):
            (name,) = told
            if getattr(manner, name) != getattr(AS_SUNG, name):
                raise self.refuse(token, "this is said already", expected="each of them once")
            manner = replace(manner, **told)
        return tuple(part for part in parts if not isinstance(part, _Told)), manner

    # how the note sounds
    def off_pitch(self, parts: list[Any]) -> _Told:
        amount = number_of(parts[0].value.value)
        if not 0 < amount < MOST_OFF_CENTS:
            raise self.refuse(
                parts[0], f"{amount:g} cents", expected=f"more than 0, less than {MOST_OFF_CENTS}"
            )
        return _Told(parts[0], {"cents": amount if parts[-1].type == "SHARP" else -amount})

    def glide(self, parts: list[Any]) -> _Told:
        return _Told(parts[0], {"glide": parts[-2].value.value})

    def vibrato(self, parts: list[Any]) -> _Told:
        percent = number_of(parts[1].value.value)
        if not 0 <= percent <= MOST_VIBRATO:
            raise self.refuse(parts[1], f"{percent:g} percent", expected=f"0 to {MOST_VIBRATO}")
        return _Told(parts[0], {"vibrato": percent / 100})

    def half_vibrato(self, parts: list[Any]) -> _Told:
        return _Told(parts[0], {"vibrato": 0.5})

    def no_vibrato(self, parts: list[Any]) -> _Told:
        return _Told(parts[0], {"vibrato": 0.0})

    def moved_formants(self, parts: list[Any]) -> _Told:
        return _Told(parts[0], {"formants": "moved"})

    def with_tail(self, parts: list[Any]) -> _Told:
        return _Told(parts[0], {"tail": "moved"})

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
            raise self.refuse(
                verb,
                f'"{action}" needs notes, not a whole stem',
                expected=f"such as {action} {stems[0]} phrase-ending note",
            )
        rest = [Timing(to=self.time_of(p)) if isinstance(p, Token) else p for p in rest]
        timing = next((part for part in rest if isinstance(part, Timing)), None)
        scopes = tuple(part for part in rest if not isinstance(part, Timing))
        return Rule(action, stems, what, scopes=scopes, timing=timing)

    def beats(self, parts: list[Any]) -> Timing:
        return self._timing(parts[0], number_of(parts[0].value.value), "beat")

    def in_all(self, parts: list[Any]) -> Timing:
        timing = self._timing(parts[0], number_of(parts[0].value.value), "beat")
        return replace(timing, in_all=True)

    def half_beat(self, parts: list[Any]) -> Timing:
        return Timing(0.5)

    def one_beat(self, parts: list[Any]) -> Timing:
        return Timing(1.0)

    def seconds(self, parts: list[Any]) -> Timing:
        time = self.time_of(parts[0])
        if time.seconds is None:
            raise self.refuse(
                parts[0], f"{time} is a place, not a length", expected='"to" before it'
            )
        return self._timing(parts[0], time.seconds, "second")

    def _timing(self, token: Token, amount: float, unit: Any) -> Timing:
        most = LONGEST_BY[unit]
        if not 0 < amount <= most:
            raise self.refuse(
                token, f"{amount:g} {unit}s", expected=f"more than 0, at most {most} {unit}s"
            )
        return Timing(amount, unit)

    # what
    def stems_whole(self, parts: list[Any]) -> tuple[Any, Any]:
        return parts[0], None

    def chosen(self, parts: list[Any]) -> tuple[Any, Any]:
        *stems, selector = parts
        return (stems[0] if stems else ()), selector

    def named(self, parts: list[Any]) -> tuple[Any, Any]:
        *stems, _, pitch = parts
        return (stems[0] if stems else ()), NamedNote(pitch.value.value)

    def at(self, parts: list[Any]) -> tuple[Any, Any]:
        stems = parts[0] if isinstance(parts[0], tuple) else ()
        return stems, NoteAt(self.time_of(parts[-1]))

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
        return In("phrase", self.counted_from_one(parts[-1], "phrase"))

    def last_one(self, parts: list[Any]) -> In:
        return In("phrase", (Span(LAST, LAST),))

    def all_of_them(self, parts: list[Any]) -> None:
        return None

    # degrees and targets
    def degrees(self, parts: list[Any]) -> tuple[str, ...]:
        return tuple(dict.fromkeys(str(part) for part in parts if isinstance(part, PlainText)))

    def degree(self, parts: list[Any]) -> str:
        token = parts[0]
        if not _DEGREE.fullmatch(token.value.value):
            raise self.refuse(
                token,
                f'"{token.value.value}" is not a degree',
                expected="degrees 1 to 7, or b or # and one of these",
            )
        return PlainText(token.value.value)

    def to_degree(self, parts: list[Any]) -> Target:
        return Target("degree", str(parts[1]), _side(parts[2:]))

    def to_tonic(self, parts: list[Any]) -> Target:
        return Target("degree", "1", _side(parts[1:]))

    def to_name(self, parts: list[Any]) -> Target:
        return Target("name", parts[0].value.value, _side(parts[1:]))

    def to_nearest(self, parts: list[Any]) -> Target:
        return Target("nearest", parts[1].value.value, _side(parts[3:]))

    def to_member(self, parts: list[Any]) -> Target:
        return Target("member", parts[1], _side(parts[2:]))

    def to_resolution(self, parts: list[Any]) -> Target:
        return Target("resolution")

    def to_note_before(self, parts: list[Any]) -> Target:
        return Target("before")

    def to_note_after(self, parts: list[Any]) -> Target:
        return Target("after")

    def to_ending(self, parts: list[Any]) -> Target:
        (span,) = self.counted_from_one((parts[-1],), "phrase")
        if span.low != span.high:
            raise self.refuse(parts[-1][1], "one phrase is meant", expected="the number of one")
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
        amount = number_of(token.value.value)
        if unit == "scale step" and amount != int(amount):
            raise self.refuse(token, "scale steps are whole", expected="a whole number")
        limit = _LARGEST[unit]
        if not 0 < amount <= limit:
            raise self.refuse(
                token, f"a shift of {amount:g} {unit}s", expected=f"more than 0, at most {limit}"
            )
        if unit in ("semitone", "octave") and amount != int(amount):
            raise self.refuse(
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


class _Way(str):
    """ "up" or "down"."""


class _Told(tuple[Any, Any]):
    """The word where something is said of how a note sounds, and what."""

    def __new__(cls, token: Any, told: dict[str, Any]) -> _Told:
        return super().__new__(cls, (token, told))


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
