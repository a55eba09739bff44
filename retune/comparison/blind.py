"""Designs of blind listening tests: which pair is heard when, balanced and repeatable.

One question a trial, each version heard once, both orders equally often, some pairs of a
version with itself as a check, practice first. The order depends on `seed` and `sheet` alone, so
that a design can be printed, played and tallied on different days; which passage is heard when
depends on its place among those chosen, so that a page can be told other passages.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal, TypeVar

from retune.carriers.errors import UsageError
from retune.comparison.statistics import POWER_SHARE, power, trials_needed, verdict
from retune.song.limits import MAX_TRIALS

Item = TypeVar("Item")
Kind = Literal["practice", "pair", "identical", "rating"]
PAIR_COUNTS = (8, 16, 24, 32, 54)
"""Numbers of pairs that a page offers."""
QUESTION = "Which of the two sounds finished?"
RATING_QUESTION = "How finished does it sound, from 1 (not at all) to 7 (completely)?"


@dataclass(frozen=True)
class Trial:
    """One trial. `first` and `second` name versions in the order they are heard; in a
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
    passages: tuple[str, ...] = ()
    """What was to be heard, in the order given."""

    def count(self, kind: Kind) -> int:
        """How many trials are of a kind."""
        return sum(trial.kind == kind for trial in self.trials)

    def to_json(self) -> dict[str, Any]:
        """Plain values for a design file or a page."""
        return asdict(self)


def verdicts(design: Design) -> dict[str, list[str]]:
    """What may be said of a test heard to its end, for every number of choices from 0 on: of
    `pair`, how often the second version was chosen (two-sided), and of `naming`, how often X was
    named rightly (one-sided). So a page counts as the program does."""
    return _verdicts(design.versions[1], design.count("pair"))


def _verdicts(version: str, n: int) -> dict[str, list[str]]:
    chosen = [verdict(k, n, version=version) for k in range(n + 1)]
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
    _check_length(n_pairs, n_identical, n_practice)
    slots = _slots(n_pairs, n_identical, n_practice, seed=seed, sheet=sheet)
    drawn = [
        (kind, passages[place % len(passages)], *_sides(kind, versions, turned))
        for kind, place, turned in slots
    ]
    return _numbered(question, versions, seed, sheet, drawn, passages)


Asked = tuple[Kind, str, str, str]
Slot = tuple[Kind, int, bool]
"""Kind, place among the passages (counted around), whether the second version comes first."""


def _slots(n_pairs: int, n_identical: int, n_practice: int, *, seed: int, sheet: int) -> list[Slot]:
    """The trials of a sheet for whatever is compared in whatever passages."""
    at = sheet - 1  # each sheet begins with another passage
    drawn: list[Slot] = [("pair", at + k // 2, bool(k % 2)) for k in range(n_pairs)]
    drawn += [("identical", at + k, bool(k % 2)) for k in range(n_identical)]
    practice: list[Slot] = [("practice", at + k, bool(k % 2)) for k in range(n_practice)]
    return practice + _shuffled(drawn, f"{seed}:{sheet}")


def _sides(kind: Kind, versions: tuple[str, str], turned: bool) -> tuple[str, str]:
    first, second = versions[::-1] if turned else versions
    return (first, first) if kind == "identical" else (first, second)


def choices(tests: Sequence[Design]) -> dict[str, dict[str, Any]]:
    """What a teacher may choose on a page, by the number of pairs: of each sheet the trials as
    words such as "pair 3 1" (kind, place among the passages, 1 where the second version comes
    first), the `verdicts`, and the `power` in words. Empty for ratings."""
    one = tests[0]
    if not one.count("pair"):
        return {}
    numbers = sorted({*PAIR_COUNTS, one.count("pair")})
    return {
        str(n): {
            "sheets": {
                str(test.sheet): [
                    f"{kind} {place} {int(turned)}"
                    for kind, place, turned in _slots(
                        n,
                        one.count("identical"),
                        one.count("practice"),
                        seed=test.seed,
                        sheet=test.sheet,
                    )
                ]
                for test in tests
            },
            "verdicts": _verdicts(one.versions[1], n),
            "power": power_words(n),
        }
        for n in numbers
    }


def power_words(n_pairs: int) -> str:
    """What a test of so many pairs can find, told before it is begun.

    >>> power_words(16)
    'With 16 pairs, a listener who chooses one version 7 times of 10 is noticed in 25 % of tests; \
for 80 % it takes 54 pairs.'
    """
    chance = power(n_pairs, POWER_SHARE, sides="two-sided")
    needed = trials_needed(POWER_SHARE, sides="two-sided")
    words = (
        f"With {n_pairs} pairs, a listener who chooses one version 7 times of 10 is noticed in "
        f"{100 * chance:.0f} % of tests"
    )
    return f"{words}; for 80 % it takes {needed} pairs." if needed and chance < 0.8 else f"{words}."


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
    _check_length(2 * n_each, n_practice)
    name = f"{seed}:{sheet}"
    where = _shuffled(list(passages), f"{name}:passages")
    drawn: list[Asked] = [
        ("rating", where[k % len(where)], version, "")
        for version in versions
        for k in range(n_each)
    ]
    practice: list[Asked] = [
        ("practice", where[-1], versions[k % 2], "") for k in range(n_practice)
    ]
    asked = practice + _shuffled(drawn, name)
    return _numbered(question, versions, seed, sheet, asked, passages)


def _check_length(*counts: int) -> None:
    """Refuse a test that nobody could sit through."""
    if sum(counts) > MAX_TRIALS:
        raise UsageError(
            f"{sum(counts)} trials are too many to listen to; at most {MAX_TRIALS} are asked"
        )


def _numbered(
    question: str,
    versions: tuple[str, str],
    seed: int,
    sheet: int,
    drawn: Sequence[Asked],
    passages: Sequence[str],
) -> Design:
    trials = tuple(Trial(number, *facts) for number, facts in enumerate(drawn, 1))
    return Design(question, versions, seed, sheet, trials, tuple(passages))


def _shuffled(items: list[Item], name: str) -> list[Item]:
    """A random order that depends on `name` alone, on every machine and version."""
    return [
        item
        for _, item in sorted(
            enumerate(items),
            key=lambda pair: hashlib.sha256(f"{name}:{pair[0]}".encode()).digest(),
        )
    ]
