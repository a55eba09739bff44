"""Sums of tones that explain a spectrum: none is less than nothing."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import nnls

from retune.analysis.chroma import nonnegative


@pytest.mark.parametrize("seed", range(20))
def test_what_is_found_is_what_scipy_finds(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n_tones = int(rng.integers(1, 50))
    table = np.abs(rng.normal(size=(80, n_tones)))
    seen = np.maximum(rng.normal(loc=0.5, size=80), 0)
    found = nonnegative(table.T @ table, table.T @ seen)
    np.testing.assert_allclose(found, nnls(table, seen)[0], rtol=1e-8, atol=1e-10)


def test_silence_and_a_tone_twice_are_explained() -> None:
    gram = np.array([[1.0, 1.0], [1.0, 1.0]]) + 1e-6 * np.eye(2)
    assert nonnegative(gram, np.zeros(2)).tolist() == [0.0, 0.0]
    assert nonnegative(gram, np.array([1.0, 1.0])).sum() == pytest.approx(1.0, abs=1e-5)
    assert nonnegative(gram, np.array([-1.0, -2.0])).tolist() == [0.0, 0.0]
