"""Counts and exact tests of the answers of one or many listeners."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from statistics import fmean, median
from typing import Any

from retune.carriers.errors import UsageError
from retune.comparison.blind_code import read_answers
from retune.comparison.responses import Response
from retune.comparison.statistics import Score, Sides, score
from retune.song.limits import MAX_ANSWERS, MAX_LISTENERS, MAX_PAIRS, check_count

POOLING = (
    "answers of several listeners are pooled: a listener's own answers hang together, so the "
    "pooled p is too small and its interval too narrow; read the listeners one by one first"
)


@dataclass(frozen=True)
class PairTally:
    """All answers about one pair of versions; every score counts `version`."""

    version: str
    other: str
    listeners: Mapping[str, Score]
    pooled: Score
    first_heard: tuple[int, int]
    """How often the first heard was chosen, of how many: the pull of the order."""


@dataclass(frozen=True)
class NamingTally:
    """How often X was named rightly, of two versions; every score is one-sided."""

    versions: tuple[str, str]
    listeners: Mapping[str, Score]
    pooled: Score


@dataclass(frozen=True)
class RatingTally:
    """Ratings of one version, from 1 to 7."""

    version: str
    n: int
    mean: float
    median: float


@dataclass(frozen=True)
class Tally:
    """Everything counted in one or more files of answers.

    `identical` is (first chosen, of how many) over all pairs of a version with itself; `hands`
    are counts of hands by pair, shown and never tested.
    """

    pairs: tuple[PairTally, ...]
    ratings: tuple[RatingTally, ...]
    identical: tuple[int, int]
    hands: Mapping[str, tuple[int, int]]
    n_practice: int
    warnings: tuple[str, ...]
    namings: tuple[NamingTally, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Plain values; intervals as lists."""
        return {
            "pairs": [asdict(pair) for pair in self.pairs],
            "ratings": [asdict(rating) for rating in self.ratings],
            "identical": {"first": self.identical[0], "n": self.identical[1]},
            "hands": {pair: list(counts) for pair, counts in self.hands.items()},
            "namings": [asdict(naming) for naming in self.namings],
            "practice": self.n_practice,
            "warnings": list(self.warnings),
        }


def tally(
    paths: Sequence[str | Path], *, version: str | None = None, sides: Sides = "two-sided"
) -> Tally:
    """Read files of answers and count them (see `responses` and `blind_code` for the formats).

    `version` names the version that scores count; by default the one of each pair that is not
    "original".

    Raises InputError for a file that does not read as answers, UsageError for a `version` that no
    pair holds.
    """
    responses: list[Response] = []
    warnings: list[str] = []
    seen: dict[tuple[str, str, int], str] = {}
    for path in paths:
        for response in read_answers(path):
            key = response.key
            if key in seen and seen[key] != str(path):
                warnings.append(
                    f"{Path(path).name}: {response.listener}, sheet {response.sheet or '-'}, trial "
                    f"{response.trial} is also in {Path(seen[key]).name}; both are counted"
                )
            seen[key] = str(path)
            responses.append(response)
        check_count(len(responses), MAX_ANSWERS, "answers", where="the answers")
    return tally_responses(responses, version=version, sides=sides, warnings=warnings)


def tally_responses(
    responses: Iterable[Response],
    *,
    version: str | None = None,
    sides: Sides = "two-sided",
    warnings: Sequence[str] = (),
) -> Tally:
    """Count answers that are already read.

    Raises UsageError for a `version` that no pair holds.
    """
    answers = list(responses)
    listeners = {response.listener for response in answers}
    check_count(len(listeners), MAX_LISTENERS, "listeners", where="the answers")
    said = list(warnings)
    pairs = []
    asked = [r for r in answers if r.kind == "pair"]
    heard = sorted({name for r in asked for name in (r.first, r.second)})
    if version is not None and version not in heard:
        raise UsageError(
            f'no pair of these answers holds the version "{version}"; there '
            f"{'are ' + ', '.join(heard) if heard else 'is no pair'}"
        )
    couples = sorted({tuple(sorted((r.first, r.second))) for r in asked})
    check_count(len(couples), MAX_PAIRS, "pairs of versions", where="the answers")
    for names in couples:
        own = [r for r in asked if {r.first, r.second} == set(names)]
        pairs.append(_pair(names, own, version, sides))
        said += _pair_warnings(pairs[-1])
    same = [r for r in answers if r.kind == "identical"]
    firsts = sum(r.answer == "first" for r in same)
    return Tally(
        pairs=tuple(pairs),
        ratings=_ratings(answers),
        identical=(firsts, len(same)),
        hands=_hands(answers),
        n_practice=sum(r.kind == "practice" for r in answers),
        warnings=tuple(said),
        namings=_namings(answers),
    )


def _namings(answers: Sequence[Response]) -> tuple[NamingTally, ...]:
    asked = [r for r in answers if r.kind == "abx"]
    found = []
    for one, other in sorted({(min(r.first, r.second), max(r.first, r.second)) for r in asked}):
        own = [r for r in asked if {r.first, r.second} == {one, other}]
        listeners = sorted({r.listener for r in own})
        found.append(
            NamingTally(
                (one, other),
                {name: _named([r for r in own if r.listener == name]) for name in listeners},
                _named(own),
            )
        )
    return tuple(found)


def _named(answers: Sequence[Response]) -> Score:
    right = sum(answer.answer == "right" for answer in answers)
    return score(right, len(answers), version="the right one", sides="one-sided")


def _pair(
    names: tuple[str, ...], answers: Sequence[Response], version: str | None, sides: Sides
) -> PairTally:
    counted = version if version in names else _counted(names)
    other = next(name for name in names if name != counted)
    by_listener: dict[str, list[Response]] = {}
    for answer in answers:
        by_listener.setdefault(answer.listener, []).append(answer)
    return PairTally(
        version=counted,
        other=other,
        listeners={
            listener: _score(own, counted, sides) for listener, own in sorted(by_listener.items())
        },
        pooled=_score(answers, counted, sides),
        first_heard=(sum(a.answer == "first" for a in answers), len(answers)),
    )


def _counted(names: tuple[str, ...]) -> str:
    return next((name for name in names if name != "original"), names[0])


def _score(answers: Sequence[Response], counted: str, sides: Sides) -> Score:
    hits = sum(answer.chosen == counted for answer in answers)
    return score(hits, len(answers), version=counted, sides=sides)


def _pair_warnings(pair: PairTally) -> list[str]:
    said = []
    if len(pair.listeners) > 1:
        said.append(f"{pair.version} and {pair.other}: {POOLING}")
    few = [name for name, own in pair.listeners.items() if own.n < 6]
    if few:
        said.append(
            f"{pair.version} and {pair.other}: fewer than 6 trials of {', '.join(few)}; "
            "no result of theirs could be told from chance on both sides"
        )
    return said


def _ratings(answers: Sequence[Response]) -> tuple[RatingTally, ...]:
    values: dict[str, list[int]] = {}
    for answer in answers:
        if answer.rating is not None:
            values.setdefault(answer.first, []).append(answer.rating)
    return tuple(
        RatingTally(name, len(own), fmean(own), float(median(own)))
        for name, own in sorted(values.items())
    )


def _hands(answers: Sequence[Response]) -> dict[str, tuple[int, int]]:
    """Hands for each version of a pair, over both orders, by "one, other"."""
    counts: dict[str, tuple[int, int]] = {}
    for answer in answers:
        if answer.hands is None:
            continue
        one, other = sorted((answer.first, answer.second))
        for_one, for_other = answer.hands if answer.first == one else answer.hands[::-1]
        before = counts.get(f"{one}, {other}", (0, 0))
        counts[f"{one}, {other}"] = (before[0] + for_one, before[1] + for_other)
    return counts
