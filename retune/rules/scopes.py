"""Where in a song a rule applies, and the one way each place is written."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, get_args

LAST: Literal["last"] = "last"
_PLAIN_TITLE = re.compile(r"[^\W\d][\w-]*")


def plain_number(value: float) -> str:
    """A number to a millionth, without an exponent and without idle zeros."""
    return f"{value:.6f}".rstrip("0").rstrip(".")


def _beats(amount: float) -> str:
    """A number of beats; thirds and sixths, which decimals only come near, as fractions."""
    for parts in (3, 6):
        whole = round(amount * parts)
        if whole % 3 and round(whole / parts, 6) == amount:
            return f"{whole}/{parts}"
    return plain_number(amount)


def length_words(amount: float, unit: str) -> str:
    """A length of time in "beat" or "second", as rules write it."""
    if unit == "second":
        return f"{plain_number(amount)}s"
    return f"{_beats(amount)} beat{'' if amount == 1 else 's'}"


@dataclass(frozen=True)
class Time:
    """A moment as written: seconds, or a bar and a beat."""

    seconds: float | None = None
    bar: int = 0
    beat: float = 1.0

    def __str__(self) -> str:
        if self.seconds is not None:
            return f"{plain_number(self.seconds)}s"
        return f"{self.bar}:{plain_number(self.beat)}"


@dataclass(frozen=True)
class Span:
    """One item of a list: `low` to `high` in steps of `step`, each a number or "last"; numbers
    below 0 count from the end (-2 is the last but one)."""

    low: int | Literal["last"]
    high: int | Literal["last"]
    step: int = 1

    def __str__(self) -> str:
        if isinstance(self.low, int) and self.low < 0:
            return "penultimate" if self.high == self.low else f"final {-self.low}"
        if self.step > 1:
            if self.step == 2 and self.low in (1, 2) and self.high == LAST:
                return "odd" if self.low == 1 else "even"
            return f"{self.low}-{self.high} step {self.step}"
        return str(self.low) if self.low == self.high else f"{self.low}-{self.high}"


@dataclass(frozen=True)
class In:
    """In certain phrases or bars; notes are counted among those that the rest of the rule
    means, through the song."""

    what: Literal["phrase", "bar", "note"]
    spans: tuple[Span, ...]

    def __str__(self) -> str:
        single = len(self.spans) == 1 and self.spans[0].low == self.spans[0].high
        listed = ", ".join(map(str, self.spans))
        return f"in {self.what}{'' if single else 's'} {listed}"


@dataclass(frozen=True)
class InHalf:
    """In the first or second half (1 or 2) of the song, or of each phrase."""

    half: Literal[1, 2]
    of: Literal["song", "phrase"]

    def __str__(self) -> str:
        whole = "song" if self.of == "song" else "phrases"
        return f"in {'first' if self.half == 1 else 'second'} half of {whole}"


@dataclass(frozen=True)
class InSection:
    """In a section by its name; `which` tells one of several of that name ("last" or a number)."""

    name: str
    which: str = ""

    def __str__(self) -> str:
        return f"in {self.words}"

    @property
    def words(self) -> str:
        """The section without a preposition."""
        return f"section {_title(self.name)}{f' {self.which}' if self.which else ''}"


def _title(name: str) -> str:
    return name if _PLAIN_TITLE.fullmatch(name) else f'"{name}"'


@dataclass(frozen=True)
class InClosing:
    """In phrases that end open, or closed: at rest."""

    way: Literal["open", "closed"]

    def __str__(self) -> str:
        return f"in {self.way} phrases"


@dataclass(frozen=True)
class AtCadences:
    """In phrases that close with one of these cadences."""

    cadences: tuple[str, ...]

    def __str__(self) -> str:
        return f"at {' or '.join(self.cadences)} cadences"


@dataclass(frozen=True)
class OnBeats:
    """By onset, within a human looseness; beats count from 1."""

    beats: tuple[float, ...]

    def __str__(self) -> str:
        many = "s" if len(self.beats) > 1 else ""
        return f"on beat{many} {', '.join(map(plain_number, self.beats))}"


@dataclass(frozen=True)
class OnStrength:
    """By onset: on strong beats, on the other beats, or between beats."""

    way: Literal["strong", "weak", "off"]

    def __str__(self) -> str:
        return "off the beat" if self.way == "off" else f"on {self.way} beats"


@dataclass(frozen=True)
class OnWord:
    """On a word of the lyrics."""

    word: str

    def __str__(self) -> str:
        return f'on word "{self.word}"'


@dataclass(frozen=True)
class FromWord:
    """From a word of the lyrics to another, both included, wherever they are sung; without a last
    word to the end of the song, from where the first is sung first."""

    first: str
    last: str = ""

    def __str__(self) -> str:
        end = f'to word "{self.last}"' if self.last else "on"
        return f'from word "{self.first}" {end}'


@dataclass(frozen=True)
class FromTo:
    """By onset, the end excluded; without a start from the beginning, without an end to the last
    note. A section stands for its beginning."""

    start: Time | InSection | None
    end: Time | InSection | None

    def __str__(self) -> str:
        start, end = _moment(self.start), _moment(self.end)
        if not start:
            return f"until {end}"
        return f"from {start} to {end}" if end else f"from {start} on"


def _moment(moment: Time | InSection | None) -> str:
    if isinstance(moment, InSection):
        return moment.words
    return "" if moment is None else str(moment)


@dataclass(frozen=True)
class Pitched:
    """Notes higher or lower than a pitch with an octave."""

    way: Literal["higher", "lower"]
    name: str

    def __str__(self) -> str:
        return f"{self.way} than {self.name}"


NOTE_VALUES: Mapping[str, float] = {
    "whole-note": 1.0,
    "dotted-half-note": 0.75,
    "half-note": 0.5,
    "dotted-quarter-note": 0.375,
    "quarter-note": 0.25,
    "dotted-eighth-note": 0.1875,
    "eighth-note": 0.125,
    "sixteenth-note": 0.0625,
}
"""The values of notes, in whole notes; how many beats that is tells the meter."""


@dataclass(frozen=True)
class Lasting:
    """Notes longer or shorter than a length of time, or of that length ("as long"); the unit
    "note" is a whole note, for the values of notes."""

    way: Literal["longer", "shorter", "as long"]
    amount: float
    unit: Literal["beat", "second", "note"] = "beat"

    def __str__(self) -> str:
        if self.unit == "note":
            value = next(name for name, whole in NOTE_VALUES.items() if whole == self.amount)
            length = f"{'an' if value[0] == 'e' else 'a'} {value}"
        else:
            length = length_words(self.amount, self.unit)
        return f"lasting {length}" if self.way == "as long" else f"{self.way} than {length}"


@dataclass(frozen=True)
class Compared:
    """Notes higher, lower, longer or shorter than the one before or after them in the phrase."""

    way: Literal["higher", "lower", "longer", "shorter"]
    than: Literal["before", "after"]

    def __str__(self) -> str:
        return f"{self.way} than note {self.than}"


@dataclass(frozen=True)
class Over:
    """Over one of these chords, over chords of a quality, or over (other than) the tonic chord."""

    chords: tuple[str, ...] = ()
    other_than_tonic: bool = False
    quality: Literal["", "major", "minor"] = ""

    def __str__(self) -> str:
        if self.quality:
            return f"over {self.quality} chords"
        if self.chords:
            return f"over {' or '.join(self.chords)}"
        return "over other than tonic chord" if self.other_than_tonic else "over tonic chord"


@dataclass(frozen=True)
class Where:
    """Where the note is, or is not, a tone of its chord, or of the scale."""

    is_so: bool
    of: Literal["chord", "scale"] = "chord"

    def __str__(self) -> str:
        return f"where it is {'' if self.is_so else 'not '}a {self.of} tone"


@dataclass(frozen=True)
class Repeated:
    """Where the note has, or has not, the pitch of the note before it in its phrase."""

    is_so: bool

    def __str__(self) -> str:
        return f"where it is {'' if self.is_so else 'not '}a repeated note"


Side = Literal["after", "before"]
_INTERVALS = ("second", "third", "fourth", "fifth", "sixth", "seventh")


@dataclass(frozen=True)
class Width:
    """How wide a step or leap is: `amount` units "semitone", "scale step" (by the letters of the
    notes: a sixth is five, major or minor) or "octave"; so wide, "more" or "less"."""

    amount: float
    unit: Literal["semitone", "scale step", "octave"]
    bound: Literal["", "more", "less"] = ""

    def __str__(self) -> str:
        if self.unit == "scale step" and self.amount <= len(_INTERVALS):
            words = f"a {_INTERVALS[int(self.amount) - 1]}"
        else:
            words = f"{plain_number(self.amount)} {self.unit}{'' if self.amount == 1 else 's'}"
        return f"of {words}{f' or {self.bound}' if self.bound else ''}"


@dataclass(frozen=True)
class After:
    """By how the note is reached from the one before it in its phrase, or (`side` "before") how it
    is left: a step is a second, a leap is more (common practice, no source)."""

    size: Literal["", "step", "leap"]
    way: Literal["", "up", "down"]
    side: Side = "after"
    width: Width | None = None

    def __str__(self) -> str:
        named = f"{self.size} {self.way}" if self.size else _TURN[self.way]
        return " ".join(filter(None, (self.side, "a", named.strip(), str(self.width or ""))))


_TURN = {"up": "rise", "down": "fall"}


@dataclass(frozen=True)
class BesideRest:
    """The note that comes next after a rest, or last before one."""

    side: Side

    def __str__(self) -> str:
        return f"{self.side} a rest"


@dataclass(frozen=True)
class Beside:
    """The note next after, or before, a note of the same phrase: one that `what` (a selector or a
    named note) chooses, or that has the trait which a scope asks for."""

    side: Side
    what: Any

    def __str__(self) -> str:
        lead = "" if type(self.what) not in _TRAITS else "a note "
        return f"{self.side} {lead}{self.what}"


_TRAITS = (OnBeats, OnStrength, OnWord, Pitched, Lasting, Compared, Where, Repeated)


@dataclass(frozen=True)
class Except:
    """Everywhere but there."""

    scope: Scope

    def __str__(self) -> str:
        return f"except {self.scope}"


Scope = (
    In
    | InHalf
    | InSection
    | InClosing
    | AtCadences
    | OnBeats
    | OnStrength
    | OnWord
    | FromWord
    | FromTo
    | Pitched
    | Lasting
    | Compared
    | After
    | Beside
    | BesideRest
    | Over
    | Where
    | Repeated
    | Except
)
SCOPE_ORDER: tuple[type, ...] = get_args(Scope)
"""The order in which the scopes of a rule are written: that of `Scope`."""
