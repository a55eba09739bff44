"""Shares of phrase endings against the second, independent count, and where there is none."""

from __future__ import annotations

import pytest

from retune.theory.endingstats import ENDINGS, ending_share

# Counted again with another parser, the tonic from the notation, the mode by the commoner third:
# 30 038 inner and 6 210 last phrases in major, 4 407 and 1 031 in minor.
SECOND_COUNT = {
    ("major", False): (23.9, 16.8, 22.5, 5.6, 24.3, 4.2, 2.7),
    ("major", True): (80.8, 1.0, 15.4, 0.1, 2.4, 0.3, 0.1),
    ("minor", False): (22.6, 18.5, 11.0, 8.8, 26.5, 2.6, 10.1),
    ("minor", True): (95.9, 0.6, 0.6, 0.4, 2.0, 0.3, 0.2),
}


@pytest.mark.parametrize(("mode", "last"), list(SECOND_COUNT))
def test_two_counts_agree_within_two_points(mode: str, last: bool) -> None:
    for digit, share in enumerate(SECOND_COUNT[mode, last], start=1):
        assert ending_share(str(digit), mode, last=last) == pytest.approx(share, abs=2.0)


@pytest.mark.parametrize("shares", ENDINGS.values())
def test_a_row_makes_a_hundred(shares: tuple[float, ...]) -> None:
    assert sum(shares) == pytest.approx(100.0, abs=0.3)


def test_degree_2_ends_inner_phrases_and_hardly_a_song() -> None:
    inner, last = ending_share("2", "major", last=False), ending_share("2", "major", last=True)
    assert inner == 16.5
    assert last == 0.8


def test_both_sevenths_of_minor_are_one_row() -> None:
    assert ending_share("#7", "minor", last=False) == ending_share("7", "minor", last=False) == 9.7


@pytest.mark.parametrize(
    ("degree", "mode"), [("b3", "major"), ("#4", "minor"), ("2", "dorian"), ("9", "major")]
)
def test_what_was_not_counted_has_no_share(degree: str, mode: str) -> None:
    assert ending_share(degree, mode, last=False) is None
