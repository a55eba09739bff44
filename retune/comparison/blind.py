"""Designs of blind listening tests: which pair is heard when, balanced and repeatable.

One question a trial, each version heard once, both orders equally often, some pairs of a
version with itself as a check, practice first. The order depends on `seed` and `sheet` alone, so
that a design can be printed, played and tallied on different days.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal, TypeVar

from retune.carriers.errors import UsageError
from retune.comparison.statistics import verdict

Item = TypeVar("Item")
Kind = Literal["practice", "pair", "identical", "rating"]
QUESTION = "Which of the two sounds finished?"
RATING_QUESTION = "How finished does it sound, from 1 (not at all) to 7 (completely)?"


@dataclass(frozen=True)
class Trial:
    """One question. `first` and `second` name versions in the order they are heard; in a
    rating `second` is "". `passage` is a label of the design's passages."""

    number: int
    kind: Kind
    passage: str
    first: str
    second: str


@dataclass(frozen=True)
class Design:
    """A whole test for one answer sheet. Practice trials are numbered from 1 like the rest."""

    question: str
    versions: tuple[str, str]
    seed: int
    sheet: int
    trials: tuple[Trial, ...]

    def to_json(self) -> dict[str, Any]:
        """Plain values for a design file or a page."""
        return asdict(self)


def verdicts(design: Design) -> dict[str, list[str]]:
    """What may be said of a test heard to its end, for every number of choices from 0 on: of
    `pair`, how often the second version was chosen (two-sided), and of `naming`, how often X was
    named rightly (one-sided). So a page counts as the program does."""
    n = sum(trial.kind == "pair" for trial in design.trials)
    chosen = [verdict(k, n, version=design.versions[1]) for k in range(n + 1)]
    named = [verdict(k, n, version="the right one", sides="one-sided") for k in range(n + 1)]
    return {"pair": chosen, "naming": named}


def pair_design(
    versions: tuple[str, str],
    *,
    passages: Sequence[str],
    n_pairs: int = 16,
    n_identical: int = 2,
    n_practice: int = 1,
    seed: int = 1,
    sheet: int = 1,
    question: str = QUESTION,
) -> Design:
    """A test of pairs: `n_pairs` of the two versions, half in each order, spread evenly over
    the passages; `n_identical` pairs of a version with itself; `n_practice` pairs first.

    Raises UsageError when the versions are the same, no passage is given, or a count cannot be
    balanced.
    """
    first, second = versions
    if first == second:
        raise UsageError(f'both versions are "{first}"; give two different ones')
    if not passages:
        raise UsageError("no passage was given; give at least one, such as phrase 2")
    if n_pairs < 2 or n_pairs % 2:
        raise UsageError(
            f"{n_pairs} pairs cannot be heard equally often in both orders; give an even number"
            f" such as {max(n_pairs + n_pairs % 2, 2)}"
        )
    if n_identical < 0 or n_practice < 0:
        raise UsageError("identical pairs and practice trials cannot be fewer than 0")
    name = f"{seed}:{sheet}"
    where = _shuffled(list(passages), f"{name}:passages")
    orders = [(first, second), (second, first)]
    drawn: list[tuple[Kind, str, str, str]] = [
        ("pair", where[(k // 2) % len(where)], *orders[k % 2]) for k in range(n_pairs)
    ]
    drawn += [
        ("identical", where[k % len(where)], versions[k % 2], versions[k % 2])
        for k in range(n_identical)
    ]
    practice: list[tuple[Kind, str, str, str]] = [
        ("practice", where[-1 - k % len(where)], *orders[k % 2]) for k in range(n_practice)
    ]
    return _numbered(question, versions, seed, sheet, practice + _shuffled(drawn, name))


def rating_design(
    versions: tuple[str, str],
    *,
    passages: Sequence[str],
    n_each: int = 4,
    n_practice: int = 1,
    seed: int = 1,
    sheet: int = 1,
    question: str = RATING_QUESTION,
) -> Design:
    """A test of ratings from 1 to 7: each version `n_each` times, one at a time."""
    if n_each < 1 or not passages:
        raise UsageError("a rating needs at least one passage and each version once")
    name = f"{seed}:{sheet}"
    where = _shuffled(list(passages), f"{name}:passages")
    drawn: list[tuple[Kind, str, str, str]] = [
        ("rating", where[k % len(where)], version, "")
        for version in versions
        for k in range(n_each)
    ]
    practice: list[tuple[Kind, str, str, str]] = [
        ("practice", where[-1], versions[k % 2], "") for k in range(n_practice)
    ]
    return _numbered(question, versions, seed, sheet, practice + _shuffled(drawn, name))


def _numbered(
    question: str,
    versions: tuple[str, str],
    seed: int,
    sheet: int,
    drawn: Sequence[tuple[Kind, str, str, str]],
) -> Design:
    trials = tuple(Trial(number, *facts) for number, facts in enumerate(drawn, 1))
    return Design(question, versions, seed, sheet, trials)


def _shuffled(items: list[Item], name: str) -> list[Item]:
    """A random order that depends on `name` alone, on every machine and version."""
    return [
        item
        for _, item in sorted(
            enumerate(items),
            key=lambda pair: hashlib.sha256(f"{name}:{pair[0]}".encode()).digest(),
        )
    ]
