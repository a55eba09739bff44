"""Key profiles: the pinned digits, and correlations that others have printed."""

from __future__ import annotations

import numpy as np
import pytest

from retune.theory.profiles import PROFILES, profile_correlations

KK = "krumhansl-kessler"


def test_digits_on_which_libraries_differ() -> None:
    # Kostka-Payne minor b2: Temperley 2007, table 6.1 (.048 in one library)
    assert PROFILES["kostka-payne"][1][1] == 0.084
    # Krumhansl & Kessler major b2: 2.23 (2.33 in one library)
    assert PROFILES[KK][0][1] == 2.23
    # Sapp's simple minor: .5 .5 for both sevenths (1 0 in one library)
    assert PROFILES["sapp"][1][10:] == (0.5, 0.5)


def test_every_profile_has_twelve_values_and_favours_its_tonic_triad() -> None:
    for major, minor in PROFILES.values():
        assert len(major) == len(minor) == 12
        for table, third in ((major, 4), (minor, 3)):
            assert {*np.argsort(table)[-4:]} >= {0, 7}
            assert table[third] > table[7 - third]


@pytest.mark.parametrize(
    ("minor", "tonic", "printed"),
    [  # C major against other keys. Krumhansl 1990 prints .591 .651 .511 .536 -.683 (from memory)
        (False, 7, 0.591),
        (False, 5, 0.591),
        (True, 9, 0.651),
        (True, 0, 0.511),
        (True, 4, 0.536),
        (False, 6, -0.683),
    ],
)
def test_profiles_against_each_other(minor: bool, tonic: int, printed: float) -> None:
    c_major = np.array(PROFILES[KK][0])
    found = profile_correlations(c_major, profile=KK, minor=minor)
    assert found[tonic] == pytest.approx(printed, abs=0.002)


def test_minor_keys_against_each_other() -> None:
    # computed: C minor against F minor, G minor, F sharp minor
    found = profile_correlations(np.array(PROFILES[KK][1]), profile=KK, minor=True)
    assert found[[5, 7, 6]] == pytest.approx([0.340, 0.340, -0.673], abs=5e-4)


def test_a_printed_correlation() -> None:
    # The manual of Humdrum `keycor` prints .35 for this histogram against simple weights on C
    histogram = np.array([8, 0, 0, 0, 2, 11, 0, 5, 7, 0, 5, 2], dtype=float)
    found = profile_correlations(histogram, profile="sapp", minor=False)
    assert found[0] == pytest.approx(0.34930904, abs=1e-8)
    major = profile_correlations(histogram, profile=KK, minor=False)
    minor = profile_correlations(histogram, profile=KK, minor=True)
    assert [minor[5], major[5], major[0]] == pytest.approx([0.865, 0.672, 0.456], abs=5e-4)


def test_a_bare_scale_hardly_tells_its_key() -> None:
    # computed: the C major scale once, equal durations
    scale = np.array([1, 0, 1, 0, 1, 1, 0, 1, 0, 1, 0, 1], dtype=float)
    major = profile_correlations(scale, profile=KK, minor=False)
    minor = profile_correlations(scale, profile=KK, minor=True)
    assert [major[0], minor[9], major[7]] == pytest.approx([0.7564, 0.7121, 0.6775], abs=5e-5)
    scale[0] = 2
    assert profile_correlations(scale, profile=KK, minor=False)[0] == pytest.approx(
        0.9014, abs=5e-5
    )


def test_a_flat_histogram_has_no_key() -> None:
    for level in (0.0, 3.0):
        found = profile_correlations(np.full(12, level), profile="kostka-payne", minor=False)
        assert np.isnan(found).all()
