"""A rule as a value, and the one way each rule is written: `str(rule)` is canonical."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, get_args

Action = Literal["move", "shift", "keep", "hold", "shorten", "delay", "bring", "suspend"]
IN_TIME: tuple[Action, ...] = ("hold", "shorten", "delay", "bring", "suspend")
"""What moves the ends of notes, not their pitch."""
Direction = Literal["above", "below"]
Kind = Literal[
    "phrase-ending",
    "phrase-opening",
    "phrase-downbeat",
    "phrase-penultimate",
    "phrase-pickup",
    "phrase-second",
    "phrase-third",
    "phrase-fourth",
    "every",
    "highest",
    "lowest",
    "longest",
    "song-highest",
    "song-lowest",
    "song-longest",
]
KINDS: tuple[Kind, ...] = get_args(Kind)
LAST: Literal["last"] = "last"
ROLE_WORDS: Mapping[str, str] = {
    "root": "chord root",
    "third": "chord third",
    "fifth": "chord fifth",
    "seventh": "chord seventh",
    "passing": "passing note",
    "neighbour": "neighbour note",
    "changing": "changing note",
    "escape": "escape note",
    "pedal": "pedal note",
    "unresolved": "unresolved note",
    "suspension": "suspension",
    "retardation": "retardation",
    "appoggiatura": "appoggiatura",
    "anticipation": "anticipation",
}
"""The chord roles that a rule can name, and how it writes them."""
CADENCES = (
    "authentic",
    "perfect authentic",
    "imperfect authentic",
    "half",
    "phrygian half",
    "plagal",
    "deceptive",
)


def plain_number(value: float) -> str:
    """A number to a millionth, without an exponent and without idle zeros."""
    return f"{value:.6f}".rstrip("0").rstrip(".")


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
class Selector:
    """Notes of a kind; no degrees and no chord role means any."""

    kind: Kind
    degrees: tuple[str, ...] = ()
    role: str = ""

    def __str__(self) -> str:
        what = f"degree {', '.join(self.degrees)}" if self.degrees else "note"
        what = ROLE_WORDS[self.role] if self.role else what
        return f"{self.kind} {what}"


@dataclass(frozen=True)
class NamedNote:
    """Every note of a name; without an octave, in any octave."""

    name: str

    def __str__(self) -> str:
        return f"note {self.name}"


@dataclass(frozen=True)
class NoteAt:
    """The note that sounds at a moment."""

    time: Time

    def __str__(self) -> str:
        return f"note at {self.time}"


@dataclass(frozen=True)
class Target:
    """Where a note goes: a degree, a note name, the nearest chord tone, a chord member, the pitch
    of a note beside it, or that of a phrase's ending (`value` is then the phrase)."""

    kind: Literal["degree", "name", "nearest", "member", "resolution", "before", "after", "ending"]
    value: str = ""
    direction: Direction | None = None

    def __str__(self) -> str:
        words = {
            "degree": f"degree {self.value}",
            "name": self.value,
            "nearest": "nearest chord tone",
            "member": f"chord {self.value}",
            "resolution": "its resolution",
            "before": "note before",
            "after": "note after",
            "ending": f"ending of phrase {self.value}",
        }[self.kind]
        return f"{words} {self.direction}" if self.direction else words


@dataclass(frozen=True)
class Interval:
    """How far a note goes: `amount` units "semitone", "cent", "scale step" or "octave"."""

    direction: Literal["up", "down"]
    amount: float
    unit: Literal["semitone", "cent", "scale step", "octave"]

    def __str__(self) -> str:
        plural = "" if self.amount == 1 else "s"
        return f"{self.direction} {plain_number(self.amount)} {self.unit}{plural}"


@dataclass(frozen=True)
class Timing:
    """How far an end of a note moves: `amount` units "beat" or "second", or to the moment `to`."""

    amount: float = 0.0
    unit: Literal["beat", "second"] = "beat"
    to: Time | None = None

    def __str__(self) -> str:
        if self.to is not None:
            return f"to {self.to}"
        if self.unit == "second":
            return f"{plain_number(self.amount)}s"
        return f"{_beats(self.amount)} beat{'' if self.amount == 1 else 's'}"

    def after(self, action: Action) -> str:
        """As it stands behind what a rule of `action` moves."""
        if self.to is not None:
            return str(self)
        return {
            "hold": f"{self} longer",
            "shorten": f"by {self}",
            "delay": f"by {self}",
            "bring": f"{self} earlier",
        }[action]


@dataclass(frozen=True)
class Manner:
    """How a moved note sounds: `cents` off its new pitch (flat below 0), how it is reached from
    the note before ("" as sung), and the share of its vibrato that stays."""

    cents: float = 0.0
    glide: Literal["", "slow", "fast"] = ""
    vibrato: float = 1.0

    def __str__(self) -> str:
        parts = []
        if self.cents:
            many = "" if abs(self.cents) == 1 else "s"
            side = "flat" if self.cents < 0 else "sharp"
            parts.append(f"{plain_number(abs(self.cents))} cent{many} {side}")
        if self.glide:
            parts.append(f"with a {self.glide} glide")
        if self.vibrato != 1:
            parts.append(
                f"with {plain_number(100 * self.vibrato)} percent vibrato"
                if self.vibrato
                else "without vibrato"
            )
        return " ".join(parts)


AS_SUNG = Manner()


def _beats(amount: float) -> str:
    """A number of beats; thirds and sixths, which decimals only come near, as fractions."""
    for parts in (3, 6):
        whole = round(amount * parts)
        if whole % 3 and round(whole / parts, 6) == amount:
            return f"{whole}/{parts}"
    return plain_number(amount)


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
    """In certain phrases or bars."""

    what: Literal["phrase", "bar"]
    spans: tuple[Span, ...]

    def __str__(self) -> str:
        single = len(self.spans) == 1 and self.spans[0].low == self.spans[0].high
        listed = ", ".join(map(str, self.spans))
        return f"in {self.what}{'' if single else 's'} {listed}"


@dataclass(frozen=True)
class InSection:
    """In a section by its name; `which` tells one of several of that name ("last" or a number)."""

    name: str
    which: str = ""

    def __str__(self) -> str:
        return f"in section {_title(self.name)}{f' {self.which}' if self.which else ''}"


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
class OnWord:
    """On a word of the lyrics."""

    word: str

    def __str__(self) -> str:
        return f'on word "{self.word}"'


@dataclass(frozen=True)
class FromTo:
    """By onset, the end excluded."""

    start: Time
    end: Time

    def __str__(self) -> str:
        return f"from {self.start} to {self.end}"


@dataclass(frozen=True)
class Over:
    """Over one of these chords, or over (other than) the tonic chord when `chords` is empty."""

    chords: tuple[str, ...] = ()
    other_than_tonic: bool = False

    def __str__(self) -> str:
        if self.chords:
            return f"over {' or '.join(self.chords)}"
        return "over other than tonic chord" if self.other_than_tonic else "over tonic chord"


@dataclass(frozen=True)
class Where:
    """Where the note is, or is not, a chord tone."""

    is_chord_tone: bool

    def __str__(self) -> str:
        return f"where it is {'' if self.is_chord_tone else 'not '}a chord tone"


@dataclass(frozen=True)
class Except:
    """Everywhere but there."""

    scope: Scope

    def __str__(self) -> str:
        return f"except {self.scope}"


Scope = In | InSection | AtCadences | OnBeats | OnWord | FromTo | Over | Where | Except
What = Selector | NamedNote | NoteAt
_ORDER = (In, InSection, AtCadences, OnBeats, OnWord, FromTo, Over, Where, Except)
_PLAIN_TITLE = re.compile(r"[^\W\d][\w-]*")


def _title(name: str) -> str:
    return name if _PLAIN_TITLE.fullmatch(name) else f'"{name}"'


@dataclass(frozen=True)
class Rule:
    """One sentence. `stems` empty means the melody; `what` None means those stems whole."""

    action: Action
    stems: tuple[str, ...] = ()
    what: What | None = None
    target: Target | None = None
    interval: Interval | None = None
    scopes: tuple[Scope, ...] = ()
    timing: Timing | None = None
    manner: Manner = AS_SUNG

    def __post_init__(self) -> None:
        ordered = sorted(self.scopes, key=lambda scope: _ORDER.index(type(scope)))
        object.__setattr__(self, "scopes", tuple(ordered))

    def __str__(self) -> str:
        parts = [self.action, ", ".join(self.stems), "" if self.what is None else str(self.what)]
        if self.target is not None:
            parts.append(f"to {self.target}")
        if self.interval is not None:
            parts.append(str(self.interval))
        if self.timing is not None:
            parts.append(self.timing.after(self.action))
        parts.append(str(self.manner))
        return " ".join(part for part in (*parts, *map(str, self.scopes)) if part)
