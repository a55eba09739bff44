"""Butterworth sections beside scipy.signal's."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from retune.sound.biquads import bandpass, filtered

NOISE = np.random.default_rng(5).standard_normal(4000)


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        (
            bandpass(order, low_hz, high_hz, rate_hz=rate_hz),
            signal.butter(order, [low_hz, high_hz], "bandpass", fs=rate_hz, output="sos"),
        )
        for order, low_hz, high_hz, rate_hz in ((2, 300.0, 2500.0, 8820), (4, 80.0, 900.0, 48000))
    ],
)
def test_the_same_filter_as_scipys(ours: np.ndarray, theirs: np.ndarray) -> None:
    _, want = signal.sosfreqz(theirs, 500)
    _, have = signal.sosfreqz(ours, 500)
    np.testing.assert_allclose(have, want, atol=1e-9)
    out, _ = filtered(ours, NOISE)
    np.testing.assert_allclose(out, signal.sosfilt(theirs, NOISE), atol=1e-9)


def test_pieces_sound_as_the_whole() -> None:
    sections = bandpass(2, 300.0, 2500.0, rate_hz=8820)
    whole, end = filtered(sections, NOISE)
    first, state = filtered(sections, NOISE[:1500])
    second, last = filtered(sections, NOISE[1500:], state)
    np.testing.assert_array_equal(np.concatenate((first, second)), whole)
    np.testing.assert_array_equal(last, end)


def test_an_odd_order_is_refused() -> None:
    with pytest.raises(ValueError, match="even"):
        bandpass(3, 100.0, 900.0, rate_hz=8000)
