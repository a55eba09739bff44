"""A rule as a value, and the one way each rule is written: `str(rule)` is canonical."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal, get_args

from retune.rules.scopes import SCOPE_ORDER, Scope, Time, length_words, plain_number

Action = Literal["move", "shift", "keep", "hold", "shorten", "delay", "bring", "suspend"]
IN_TIME: tuple[Action, ...] = ("hold", "shorten", "delay", "bring", "suspend")
"""What moves the ends of notes, not their pitch."""
Direction = Literal["above", "below"]
Kind = Literal[
    "phrase-ending",
    "phrase-opening",
    "phrase-downbeat",
    "phrase-penultimate",
    "phrase-antepenultimate",
    "phrase-pickup",
    "phrase-second",
    "phrase-third",
    "phrase-fourth",
    "every",
    "highest",
    "lowest",
    "longest",
    "shortest",
    "song-highest",
    "song-lowest",
    "song-longest",
    "song-shortest",
    "bar-opening",
    "bar-ending",
    "bar-highest",
    "bar-lowest",
    "bar-longest",
    "bar-shortest",
]
KINDS: tuple[Kind, ...] = get_args(Kind)
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
    "blue": "blue note",
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
    """Where a note goes: a degree, a note name, the nearest tone of its chord or of the scale
    (`value` is "chord" or "scale"), a chord member, the pitch of a note beside it, or that of a
    phrase's ending (`value` is then the phrase)."""

    kind: Literal["degree", "name", "nearest", "member", "resolution", "before", "after", "ending"]
    value: str = ""
    direction: Direction | None = None

    def __str__(self) -> str:
        words = {
            "degree": f"degree {self.value}",
            "name": self.value,
            "nearest": f"nearest {self.value} tone",
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
class Manner:
    """How a moved note sounds: `cents` off its new pitch (flat below 0), how it is reached from
    the note before ("" as sung), the share of its vibrato that stays, and whether its formants and
    what sounds on after it go with the pitch ("moved") or stay ("")."""

    cents: float = 0.0
    glide: Literal["", "slow", "fast"] = ""
    vibrato: float = 1.0
    formants: Literal["", "moved"] = ""
    tail: Literal["", "moved"] = ""

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
        if self.formants:
            parts.append("with moved formants")
        if self.tail:
            parts.append("with its tail")
        return " ".join(parts)


AS_SUNG = Manner()


@dataclass(frozen=True)
class Timing:
    """How far an end of a note moves: `amount` units "beat" or "second", or to the moment `to`;
    `in_all`, how long the note then is."""

    amount: float = 0.0
    unit: Literal["beat", "second"] = "beat"
    to: Time | None = None
    in_all: bool = False

    def __str__(self) -> str:
        if self.to is not None:
            return f"to {self.to}"
        if self.in_all:
            return f"to {plain_number(self.amount)} beat{'' if self.amount == 1 else 's'}"
        return length_words(self.amount, self.unit)

    def after(self, action: Action) -> str:
        """As it stands behind what a rule of `action` moves."""
        if self.to is not None or self.in_all:
            return str(self)
        return {
            "hold": f"{self} longer",
            "shorten": f"by {self}",
            "delay": f"by {self}",
            "bring": f"{self} earlier",
        }[action]


What = Selector | NamedNote | NoteAt


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
        ordered = sorted(self.scopes, key=lambda scope: SCOPE_ORDER.index(type(scope)))
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


def line_of(rules: Iterable[Rule]) -> str:
    """Rules as one line, which `lines_in` parts again."""
    return "; ".join(map(str, rules))


def lines_in(line: str) -> list[str]:
    """The sentences of a line that `line_of` wrote."""
    return line.split("; ")
