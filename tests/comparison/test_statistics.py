"""Exact statistics against published tables and SciPy-independent closed forms."""

from __future__ import annotations

from math import comb

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retune.carriers.errors import UsageError
from retune.comparison.statistics import (
    binomial_p,
    clopper_pearson,
    fewest_correct,
    power,
    score,
    trials_needed,
    verdict,
    wilson,
)

# Fewest correct of n at p = .5, one-sided, with its exact p: follows from the definition,
# sum over i >= k of C(n, i) / 2^n.
FEWEST = {
    5: (5, 0.0313, None),
    6: (6, 0.0156, None),
    7: (7, 0.0078, 7),
    8: (7, 0.0352, 8),
    9: (8, 0.0195, 9),
    10: (9, 0.0107, 10),
    12: (10, 0.0193, 11),
    14: (11, 0.0287, 12),
    15: (12, 0.0176, 13),
    16: (12, 0.0384, 14),
    18: (13, 0.0481, 15),
    20: (15, 0.0207, 16),
    24: (17, 0.0320, 19),
    25: (18, 0.0216, 19),
    30: (20, 0.0494, 22),
    32: (22, 0.0251, 24),
    40: (26, 0.0403, 28),
    50: (32, 0.0325, 34),
    100: (59, 0.0443, 63),
}


@pytest.mark.parametrize(("n", "expected"), FEWEST.items())
def test_fewest_correct_and_its_p(n: int, expected: tuple[int, float, int | None]) -> None:
    at_five, p, at_one = expected
    assert fewest_correct(n) == at_five
    assert binomial_p(at_five, n, sides="one-sided") == pytest.approx(p, abs=5.1e-5)
    assert fewest_correct(n, level=0.01) == at_one


@pytest.mark.parametrize("n", [0, 1, 2, 3, 4])
def test_four_trials_can_never_tell(n: int) -> None:
    assert fewest_correct(n) is None  # .5 ** 4 = .0625
    assert power(n, 0.9) == 0
    assert "too few" in verdict(n, n, version="v") or n == 0


@pytest.mark.parametrize(
    ("share", "n", "expected"),
    [
        (0.7, 10, 0.149),
        (0.7, 16, 0.450),
        (0.7, 20, 0.416),
        (0.7, 24, 0.565),
        (0.7, 32, 0.644),
        (0.7, 50, 0.859),
        (0.7, 100, 0.993),
        (0.8, 10, 0.376),
        (0.8, 16, 0.798),
        (0.8, 20, 0.804),
        (0.8, 24, 0.911),
        (0.9, 10, 0.736),
        (0.9, 16, 0.983),
    ],
)
def test_power(share: float, n: int, expected: float) -> None:
    # Follows from the definition: sum over i >= k of C(n, i) p^i (1 - p)^(n - i).
    assert power(n, share) == pytest.approx(expected, abs=5e-4)


@pytest.mark.parametrize(
    ("k", "n", "exact", "score_interval"),
    [
        (8, 10, (0.4439, 0.9748), (0.4902, 0.9433)),
        (12, 16, (0.4762, 0.9273), (0.5050, 0.8982)),
        (14, 20, (0.4572, 0.8811), (0.4810, 0.8545)),
        (16, 20, (0.5634, 0.9427), (0.5840, 0.9193)),
        (10, 10, (0.6915, 1.0), (0.7225, 1.0)),
        (0, 10, (0.0, 0.3085), (0.0, 0.2775)),
        (45, 100, (0.3503, 0.5527), (0.3561, 0.5476)),
        # The score interval of 81/263 is printed in Newcombe 1998 (from memory).
        (81, 263, (0.2527, 0.3676), (0.2553, 0.3662)),
    ],
)
def test_intervals(
    k: int, n: int, exact: tuple[float, float], score_interval: tuple[float, float]
) -> None:
    assert clopper_pearson(k, n) == pytest.approx(exact, abs=5e-5)
    assert wilson(k, n) == pytest.approx(score_interval, abs=5e-5)


@given(st.integers(1, 60), st.data())
def test_two_sided_p_is_the_sum_of_both_tails(n: int, data: st.DataObject) -> None:
    k = data.draw(st.integers(0, n))
    tail = sum(comb(n, i) for i in range(min(k, n - k) + 1)) / 2**n
    assert binomial_p(k, n) == pytest.approx(min(1.0, 2 * tail), rel=1e-9)


def test_trials_needed_keeps_the_power_from_there_on() -> None:
    n = trials_needed(0.7)
    assert n is not None
    assert all(power(m, 0.7) >= 0.8 for m in range(n, n + 15))
    assert power(n - 1, 0.7) < 0.8
    assert trials_needed(0.5) is None
    assert trials_needed(0.502) is None


def test_the_verdict_claims_no_more_than_the_numbers() -> None:
    # 12 of 16 passes one-sided (p = .0384) while its two-sided interval covers one half.
    one = score(12, 16, version="home-early", sides="one-sided")
    two = score(12, 16, version="home-early")
    assert one.p == pytest.approx(0.0384, abs=5e-5)
    assert "seldom" in one.verdict
    assert "one-sided" in one.verdict
    assert two.p > 0.05
    assert "does not show that there is no difference" in two.verdict
    assert one.clopper_pearson[0] < 0.5
    assert score(0, 0, version="v").verdict == "No trials, nothing to say."


def test_impossible_counts() -> None:
    with pytest.raises(UsageError, match="7 of 5"):
        binomial_p(7, 5)
    with pytest.raises(UsageError, match=r"1\.2"):
        power(10, 1.2)
