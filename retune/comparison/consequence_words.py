"""What follows from a plan in sentences, as every surface says it: clashes first, each with its
place before it and no other word; the sign of a clash stands beside it where it is drawn."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from retune.carriers.changes import Consequence, Plan
from retune.carriers.text import pretty


@dataclass(frozen=True)
class Told:
    """One sentence: "Bars 15-16: B♭3 sounds a semitone from A, the third of F."."""

    text: str
    at_s: float
    is_clash: bool


def told(consequences: Iterable[Consequence]) -> tuple[Told, ...]:
    """The sentences of consequences, clashes first, else in order of time.

    >>> [one.text for one in told([Consequence("range", 1.0, "Bar 2: Bb2 lies low"),
    ...                            Consequence("clash", 9.0, "Bar 8: C4 beside Db4")])]
    ['Bar 8: C4 beside D♭4.', 'Bar 2: B♭2 lies low.']
    """
    ordered = sorted(consequences, key=lambda item: (item.kind != "clash", item.at_s))
    return tuple(Told(_sentence(item.text), item.at_s, item.kind == "clash") for item in ordered)


def all_told(plan: Plan) -> tuple[Told, ...]:
    """What follows from a plan, and after it the warnings of the plan."""
    warnings = (Told(_sentence(line), 0.0, is_clash=False) for line in plan.warnings)
    return (*told(plan.consequences), *warnings)


def _sentence(text: str) -> str:
    shown = pretty(text.strip())
    return shown if shown.endswith((".", "!", "?")) else f"{shown}."
