"""How often phrases end on each degree, at rest or not: counts, shares and honest intervals."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from retune.comparison.statistics import CONFIDENCE

STATES = ("at rest", "partly at rest", "open", "not known")
UNKNOWN = "?"


@dataclass(frozen=True)
class Share:
    """`k` of `n` phrases, with the 95 % interval of the share; `songs` they come from."""

    k: int
    n: int
    low: float
    high: float
    songs: int

    @property
    def share(self) -> float:
        return self.k / self.n if self.n else math.nan

    def __str__(self) -> str:
        if not self.n:
            return "none"
        return (
            f"{self.k} of {self.n}, {100 * self.share:.0f} % "
            f"({100 * self.low:.0f} to {100 * self.high:.0f})"
        )


@dataclass(frozen=True)
class DegreeRow:
    """The phrases that end on one degree: how many in each state, and their share of all."""

    degree: str
    states: Mapping[str, int]
    share: Share


def share_of(by_song: Iterable[tuple[int, int]], *, confidence: float = CONFIDENCE) -> Share:
    """The share of a trait, from (phrases that have it, phrases) of each song.

    Phrases of one song resemble each other, so they count for less than as many from different
    songs: Clopper and Pearson's interval at the effective sample size of Korn and Graubard
    (Survey Methodology 24, 1998, 193-201), the songs drawn as clusters. With one song, or with a
    share of 0 or 1, nothing is known of that resemblance and the phrases count in full.
    """
    from scipy.stats import beta

    counts = [(k, n) for k, n in by_song if n]
    k, n, songs = sum(k for k, _ in counts), sum(n for _, n in counts), len(counts)
    if not n:
        return Share(0, 0, 0.0, 1.0, 0)
    n_effective = _effective_n(counts, k / n, n, confidence)
    x, tail = k / n * n_effective, (1 - confidence) / 2
    low = float(beta.ppf(tail, x, n_effective - x + 1)) if k else 0.0
    high = float(beta.ppf(1 - tail, x + 1, n_effective - x)) if k < n else 1.0
    return Share(k, n, low, high, songs)


def _effective_n(
    counts: Sequence[tuple[int, int]], share: float, n: int, confidence: float
) -> float:
    from scipy.stats import t

    songs = len(counts)
    if songs < 2 or not 0 < share < 1:
        return float(n)
    squares = sum((k - share * m) ** 2 for k, m in counts)
    variance = songs / (songs - 1) * squares / n**2
    if variance <= 0:
        return float(n)
    wide = t.ppf((1 + confidence) / 2, [n - 1, songs - 1])
    return min(float(n), share * (1 - share) / variance * float(wide[0] / wide[1]) ** 2)


def degree_rows(rows: Sequence[Mapping[str, Any]], *, variant: str = "") -> list[DegreeRow]:
    """Phrases by the degree they end on, in the order of the scale; of a variant, if named."""
    before = f"{variant}." if variant else ""
    ends = [_end(row, before) for row in rows]
    songs: dict[str, Counter[str]] = {}
    for row, (degree, _) in zip(rows, ends, strict=True):
        songs.setdefault(row["song"], Counter())[degree] += 1
    states = Counter(ends)
    return [
        DegreeRow(
            degree,
            {state: states[degree, state] for state in STATES},
            share_of((found[degree], found.total()) for found in songs.values()),
        )
        for degree in sorted({degree for degree, _ in ends}, key=scale_order)
    ]


def _end(row: Mapping[str, Any], before: str) -> tuple[str, str]:
    degree = row.get(f"{before}degree") or UNKNOWN
    state = row.get(f"{before}ending") or (None if before else row.get("ending_melodic"))
    return degree, state or STATES[-1]


def scale_order(degree: str) -> tuple[int, int, str]:
    """A key that sorts degrees as the scale has them, "b3" before "3", unknown last.

    >>> sorted(["?", "#4", "5", "3", "b3", "1"], key=scale_order)
    ['1', 'b3', '3', '#4', '5', '?']
    """
    step = degree.lstrip("b#")
    bent = degree.count("#") - degree.count("b")
    return (int(step), bent, degree) if step.isdecimal() else (99, 0, degree)
