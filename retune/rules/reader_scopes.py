"""The scopes of a sentence, and the lists and times that other parts of it need too."""

from __future__ import annotations

from typing import Any

from lark import Token, Transformer

from retune.carriers.errors import RuleError
from retune.carriers.text import cut_short
from retune.rules.model import NamedNote, Selector
from retune.rules.scopes import (
    LAST,
    NOTE_VALUES,
    After,
    AtCadences,
    Beside,
    BesideRest,
    Compared,
    Except,
    FromTo,
    FromWord,
    In,
    InClosing,
    InHalf,
    InSection,
    Lasting,
    OnBeats,
    OnStrength,
    OnWord,
    Over,
    Pitched,
    Repeated,
    Span,
    Time,
    Where,
    Width,
)

_NAMED_SPANS = {
    "penultimate": Span(-2, -2),
    "odd": Span(1, LAST, 2),
    "even": Span(2, LAST, 2),
}
_DIGITS = 6  # of a bar, a phrase or a whole second; more is a slip of the hand


class ScopeReader(Transformer[Any, Any]):
    """Builds the scopes of a sentence from its tree."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text = text

    def refuse(
        self, token: Token, problem: str, *, expected: str = "", nearest: str = ""
    ) -> RuleError:
        word = token.value
        return RuleError(
            problem,
            text=self.text,
            column=word.column,
            length=word.length,
            expected=expected,
            nearest=nearest,
        )

    def in_phrases(self, parts: list[Any]) -> In:
        return In("phrase", self.counted_from_one(parts[-1], "phrase"))

    def in_last(self, parts: list[Any]) -> In:
        return In("phrase", (Span(LAST, LAST),))

    def in_bars(self, parts: list[Any]) -> In:
        return In("bar", self.counted_from_one(parts[-1], "bar"))

    def in_notes(self, parts: list[Any]) -> In:
        return In("note", self.counted_from_one(parts[-1], "note"))

    def in_half(self, parts: list[Any]) -> InHalf:
        _, which, _, _, whole = parts
        if which.value.value not in ("first", "second"):
            raise self.refuse(which, "there are two halves", expected="first or second")
        half: Any = 1 if which.type == "FIRST" else 2
        return InHalf(half, "song" if whole.type == "SONG" else "phrase")

    def in_closing(self, parts: list[Any]) -> InClosing:
        return InClosing(parts[1].value.value)

    def on_strength(self, parts: list[Any]) -> OnStrength:
        return OnStrength(parts[1].value.value)

    def off_beat(self, parts: list[Any]) -> OnStrength:
        return OnStrength("off")

    def pitched(self, parts: list[Any]) -> Pitched:
        way, _, pitch = parts
        name = pitch.value.value
        if not name[-1].isdigit():
            raise self.refuse(pitch, f'"{name}" has no octave', expected=f"such as {name}4")
        return Pitched(way.value.value, name)

    def lasting(self, parts: list[Any]) -> Lasting:
        first, length = parts[0], parts[-1]
        way: Any = "as long" if first.type == "LASTING" else first.value.value
        if isinstance(length, Token):
            return Lasting(way, NOTE_VALUES[length.value.value], "note")
        return Lasting(way, length.amount, length.unit)

    def compared(self, parts: list[Any]) -> Compared:
        return Compared(parts[0].value.value, parts[-1].value.value)

    def in_section(self, parts: list[Any]) -> InSection:
        _, _, title, *which = parts
        if not title.value.value.strip():
            raise self.refuse(title, "a section without a name", expected="such as chorus")
        return InSection(title.value.value, which[0] if which else "")

    def which(self, parts: list[Any]) -> str:
        first = self._end(parts[0], parts[0].value.value)
        if first == 0:
            raise self.refuse(parts[0], "sections of a name count from 1")
        return str(first)

    def at_cadences(self, parts: list[Any]) -> AtCadences:
        return AtCadences(parts[1])

    def cadences(self, parts: list[Any]) -> tuple[str, ...]:
        return tuple(dict.fromkeys(str(part) for part in parts if isinstance(part, PlainText)))

    def cadence(self, parts: list[Any]) -> str:
        return PlainText(" ".join(part.value.value for part in parts))

    def on_beats(self, parts: list[Any]) -> OnBeats:
        beats: dict[float, None] = {}
        for part in parts:
            if part.type == "NUMBER":
                beat = number_of(part.value.value)
                if not 1 <= beat < 100:
                    raise self.refuse(part, "beats count from 1", expected="such as beat 3")
                beats[beat] = None
        return OnBeats(tuple(beats))

    def on_word(self, parts: list[Any]) -> OnWord:
        return OnWord(self._word(parts[-1]))

    def from_word(self, parts: list[Any]) -> FromWord:
        return FromWord(*(self._word(part) for part in parts if part.type == "TITLE"))

    def _word(self, token: Token) -> str:
        word = token.value.value.strip()
        if not word:
            raise self.refuse(token, "no word is named", expected='such as on word "home"')
        return str(word)

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
            raise self.refuse(token, "the list runs backwards", nearest=nearest)
        return Span(first, last), token

    def stepped(self, parts: list[Any]) -> tuple[Span, Token]:
        span, token = self.span(parts[:1])
        step = self._end(parts[2], parts[2].value.value)
        if step < 1:
            raise self.refuse(parts[2], "a step of 0", expected="1 or more")
        return Span(span.low, span.high, step), token

    def final(self, parts: list[Any]) -> tuple[Span, Token]:
        number = self._end(parts[1], parts[1].value.value)
        if number < 2:
            raise self.refuse(parts[1], "final counts from 2", expected='"last" for one')
        return Span(-number, LAST), parts[1]

    def _end(self, token: Token, text: str) -> Any:
        if text == LAST:
            return LAST
        if not text.isdecimal() or len(text) > _DIGITS:
            raise self.refuse(
                token, f'"{cut_short(text)}" is no such number', expected="a whole number"
            )
        return int(text)

    def counted_from_one(self, spans: Any, what: str) -> tuple[Span, ...]:
        """The spans of a list; 0 stands for the pickup, and only alone."""
        for span, token in spans:
            if span.low == 0 and (what == "phrase" or len(spans) > 1 or span.high != 0):
                may = "" if what == "phrase" else 'from 1 on, or "bar 0" alone for the pickup'
                raise self.refuse(token, f"{what}s of a list count from 1", expected=may)
        return tuple(span for span, _ in spans)

    def at_time(self, parts: list[Any]) -> tuple[Time, Token]:
        return self.time_of(parts[0]), parts[0]

    def at_section(self, parts: list[Any]) -> tuple[InSection, Token]:
        return self.in_section([None, *parts]), parts[1]

    def from_to(self, parts: list[Any]) -> FromTo:
        (start, _), (end, token) = parts[1], parts[3]
        if _is_late(start, end):
            raise self.refuse(token, f"{end} does not come after {start}", expected="a later time")
        return FromTo(start, end)

    def from_on(self, parts: list[Any]) -> FromTo:
        return FromTo(parts[1][0], None)

    def until(self, parts: list[Any]) -> FromTo:
        return FromTo(None, parts[1][0])

    def time_of(self, token: Token) -> Time:
        text = token.value.value.lower()
        if len(text.replace(":", ".").partition(".")[0].rstrip("s")) > _DIGITS:
            raise self.refuse(
                token, f"{cut_short(text)} is no such time", expected="a time in the song"
            )
        if text.endswith("s"):
            return Time(seconds=number_of(text[:-1]))
        bar, _, beat = text.partition(":")
        if not 1 <= number_of(beat) < 100:
            raise self.refuse(token, "beats count from 1", expected="such as 9:1")
        return Time(bar=int(bar), beat=number_of(beat))

    def over(self, parts: list[Any]) -> Over:
        return Over(parts[-1])

    def chords(self, parts: list[Any]) -> tuple[str, ...]:
        labels = [part.value.value for part in parts if part.type == "CHORDLABEL"]
        return tuple(dict.fromkeys(labels))

    def over_quality(self, parts: list[Any]) -> Over:
        return Over(quality=parts[1].value.value)

    def after(self, parts: list[Any]) -> After:
        side, *rest = parts
        width = rest.pop() if isinstance(rest[-1], Width) else None
        how, *way = (part.value.value for part in rest[1:])
        if how in ("rise", "fall"):
            return After("", "up" if how == "rise" else "down", side, width)
        return After(how, way[0] if way else "", side, width)

    def width(self, parts: list[Any]) -> Width:
        (amount, unit), *bound = parts[1:]
        if unit == "cent":
            raise self.refuse(parts[0], "a leap in cents", expected="semitones or a third")
        return Width(amount, unit, bound[-1].value.value if bound else "")

    def beside(self, parts: list[Any]) -> str:
        return str(parts[0].value.value)

    def beside_rest(self, parts: list[Any]) -> BesideRest:
        return BesideRest(parts[0])

    def beside_trait(self, parts: list[Any]) -> Beside:
        return Beside(parts[0], parts[-1])

    def beside_any(self, parts: list[Any]) -> Beside:
        return Beside(parts[0], Selector(parts[1]))

    def beside_degree(self, parts: list[Any]) -> Beside:
        return Beside(parts[0], Selector(parts[1], parts[-1]))

    def beside_role(self, parts: list[Any]) -> Beside:
        return Beside(parts[0], Selector(parts[1], role=parts[-1]))

    def beside_named(self, parts: list[Any]) -> Beside:
        return Beside(parts[0], NamedNote(parts[-1].value.value))

    def where_repeated(self, parts: list[Any]) -> Repeated:
        return Repeated(not any(part.type == "NOT" for part in parts))

    def over_tonic(self, parts: list[Any]) -> Over:
        return Over()

    def over_other(self, parts: list[Any]) -> Over:
        return Over(other_than_tonic=True)

    def where(self, parts: list[Any]) -> Where:
        return Where(not any(part.type == "NOT" for part in parts), parts[-2].value.value)

    def except_scope(self, parts: list[Any]) -> Except:
        return Except(parts[-1])

    def except_last(self, parts: list[Any]) -> Except:
        return Except(In("phrase", (Span(LAST, LAST),)))


class PlainText(str):
    """A degree already read, told apart from tokens."""


def number_of(text: str) -> float:
    """A number as rules print it, to a millionth; "1/3" is a third."""
    top, _, bottom = text.partition("/")
    return round(float(top) / float(bottom or 1), 6)


def _is_late(start: Time | InSection, end: Time | InSection) -> bool:
    """Whether two places that can be compared stand in the wrong order."""
    if isinstance(start, InSection) or isinstance(end, InSection):
        return start == end
    same = (start.seconds is None) == (end.seconds is None)
    return same and _order(start) >= _order(end)


def _order(time: Time) -> tuple[float, float]:
    return (time.seconds or 0.0, 0.0) if time.seconds is not None else (time.bar, time.beat)
