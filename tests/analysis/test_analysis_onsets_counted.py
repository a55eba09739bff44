"""Onsets counted without scipy's signal package, against it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import find_peaks

from retune.analysis.beats import HOP_S, ONSETS_APART_S, STRONG, _count_onsets


@pytest.mark.parametrize("n", [0, 1, 2, 3, 50, 500, 5000])
def test_onsets_are_counted_as_scipy_finds_peaks(n: int) -> None:
    curve = np.abs(np.random.default_rng(n).standard_normal(n))
    apart = round(ONSETS_APART_S / HOP_S)
    height = STRONG * curve.max(initial=0.0)
    expected = len(find_peaks(curve, height=height, distance=apart)[0]) if n else 0
    assert _count_onsets(curve) == expected
