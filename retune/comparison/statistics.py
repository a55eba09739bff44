"""Exact statistics of choices between two, and what may be said about them.

All from the binomial distribution. Intervals: Clopper and Pearson (1934), Wilson (1927).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np

from retune.carriers.errors import UsageError

Sides = Literal["one-sided", "two-sided"]
LEVEL = 0.05
CONFIDENCE = 0.95
_MOST_TRIALS = 10_000


def binomial_p(k: int, n: int, *, sides: Sides = "two-sided", chance: float = 0.5) -> float:
    """Exact p of `k` of `n` under `chance`; one-sided is the probability of `k` or more."""
    from scipy.special import bdtrc

    _check(k, n)
    if n == 0:
        return 1.0
    if sides == "one-sided":
        return float(bdtrc(k - 1, n, chance)) if k else 1.0
    if chance == 0.5:  # both tails alike
        return min(1.0, 2 * float(bdtrc(max(k, n - k) - 1, n, chance)))
    from scipy.stats import binomtest

    return float(binomtest(k, n, chance).pvalue)


def clopper_pearson(k: int, n: int, *, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Exact two-sided interval of the share behind `k` of `n`; (0, 1) without trials."""
    from scipy.special import betaincinv

    _check(k, n)
    tail = (1 - confidence) / 2
    low = float(betaincinv(k, n - k + 1, tail)) if k else 0.0
    high = float(betaincinv(k + 1, n - k, 1 - tail)) if k < n else 1.0
    return low, high


def wilson(k: int, n: int, *, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Wilson's score interval of the share behind `k` of `n`; (0, 1) without trials."""
    from scipy.stats import binomtest

    _check(k, n)
    if n == 0:
        return 0.0, 1.0
    found = binomtest(k, n).proportion_ci(confidence, method="wilson")
    return float(found.low), float(found.high)


@lru_cache(maxsize=1024)
def fewest_correct(n: int, *, level: float = LEVEL, sides: Sides = "one-sided") -> int | None:
    """The fewest of `n` that chance gives with p below `level`; None when no count does."""
    from scipy.stats import binom

    _check(0, n)
    tail = level if sides == "one-sided" else level / 2
    found = np.flatnonzero(binom.sf(np.arange(-1, n), n, 0.5) < tail)
    return int(found[0]) if len(found) else None


@lru_cache(maxsize=1024)
def power(n: int, true_share: float, *, level: float = LEVEL, sides: Sides = "one-sided") -> float:
    """The probability that `n` trials give p below `level` when the true share is `true_share`."""
    from scipy.stats import binom

    if not 0 <= true_share <= 1:
        raise UsageError(f"the true share is {true_share}; give a number from 0 to 1")
    least = fewest_correct(n, level=level, sides=sides)
    if least is None:
        return 0.0
    found = float(binom.sf(least - 1, n, true_share))
    if sides == "two-sided":
        found += float(binom.cdf(n - least, n, true_share))
    return found


def trials_needed(
    true_share: float, *, wanted: float = 0.8, level: float = LEVEL, sides: Sides = "one-sided"
) -> int | None:
    """The fewest trials from which on the power stays at `wanted` or more; None if more than
    10 000 are needed.

    Power does not rise steadily with n (the critical count is whole), hence "from which on":
    it is asked of the next 20 numbers of trials too.
    """
    return _trials_needed(true_share, wanted, level, sides)


@lru_cache(maxsize=64)
def _trials_needed(true_share: float, wanted: float, level: float, sides: Sides) -> int | None:
    if abs(true_share - 0.5) < 1e-9:
        return None
    low, high = 1, 1
    while power(high, true_share, level=level, sides=sides) < wanted:
        low, high = high, high * 2
        if high > _MOST_TRIALS:
            return None
    first = low
    for n in range(low, high + 21):
        if power(n, true_share, level=level, sides=sides) < wanted:
            first = n + 1
    return first


def _check(k: int, n: int) -> None:
    if n < 0 or not 0 <= k <= n:
        raise UsageError(f"{k} of {n} was given; give 0 or more trials and no more hits than those")


@dataclass(frozen=True)
class Score:
    """`k` of `n` choices fell on one version, and what the numbers allow to be said.

    `p` is exact, of the test named in `sides`; both intervals are two-sided at 95 %, so that a
    one-sided test can pass while an interval still covers one half. `power` is that of this
    number of trials for a true share of .7, `trials_needed` what .8 of power would take there.
    """

    k: int
    n: int
    sides: Sides
    p: float
    clopper_pearson: tuple[float, float]
    wilson: tuple[float, float]
    power: float
    trials_needed: int | None
    verdict: str


POWER_SHARE = 0.7


def score(k: int, n: int, *, version: str, sides: Sides = "two-sided") -> Score:
    """The exact test and intervals of `version` chosen `k` times of `n`, with a verdict."""
    p = binomial_p(k, n, sides=sides)
    return Score(
        k=k,
        n=n,
        sides=sides,
        p=p,
        clopper_pearson=clopper_pearson(k, n),
        wilson=wilson(k, n),
        power=power(n, POWER_SHARE, sides=sides),
        trials_needed=trials_needed(POWER_SHARE, sides=sides),
        verdict=verdict(k, n, version=version, sides=sides),
    )


def verdict(k: int, n: int, *, version: str, sides: Sides = "two-sided") -> str:
    """Plain words that claim no more than the numbers do."""
    if n == 0:
        return "No trials, nothing to say."
    p = binomial_p(k, n, sides=sides)
    low, high = clopper_pearson(k, n)
    words = (
        f'"{version}" was chosen in {k} of {n} trials (exact {sides} p {_p_words(p)}; 95 % '
        f"interval of the share {100 * low:.0f} to {100 * high:.0f} %). "
    )
    if fewest_correct(n, sides=sides) is None:
        return words + f"{n} trials are too few to tell anything from chance."
    if p < LEVEL:
        return words + (
            "Chance alone would seldom give this. It says that the versions are told apart under "
            "these conditions, not why."
        )
    chance = power(n, POWER_SHARE, sides=sides)
    return words + (
        "This can well be chance, which does not show that there is no difference: a listener "
        f"who chooses it 7 times of 10 would be noticed with {n} trials only in "
        f"{100 * chance:.0f} % of tests."
    )


def _p_words(p: float) -> str:
    return "< 0.001" if p < 0.001 else f"= {p:.3f}"
