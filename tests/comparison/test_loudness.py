"""Loudness and true peak against the test signals of the standards."""

from __future__ import annotations

import numpy as np
import pyloudnorm
import pytest

from retune.comparison.loudness import integrated_lufs, true_peak_db

RATE = 48_000


def tone(hz: float, level_db: float, seconds: float, rate: int = RATE) -> np.ndarray:
    time = np.arange(round(seconds * rate)) / rate
    return 10 ** (level_db / 20) * np.sin(2 * np.pi * hz * time)


def both(mono: np.ndarray) -> np.ndarray:
    return np.stack([mono, mono], axis=1)


def steps(*parts: tuple[float, float]) -> np.ndarray:
    return both(np.concatenate([tone(1000, level, seconds) for level, seconds in parts]))


def test_full_scale_sine_in_one_channel() -> None:
    # ITU-R BS.1770-5, Annex 1: a 997 Hz sine at 0 dBFS in one channel reads -3.01 LKFS.
    assert integrated_lufs(tone(997, 0, 5), RATE) == pytest.approx(-3.01, abs=0.001)


def test_full_scale_sine_in_both_channels() -> None:
    # Follows from the sum of channel powers: -3.01 + 10 log10(2) = 0.
    assert integrated_lufs(both(tone(997, 0, 5)), RATE) == pytest.approx(0.0, abs=0.001)


@pytest.mark.parametrize("rate", [8_000, 22_050, 44_100, 96_000])
def test_full_scale_sine_at_other_rates(rate: int) -> None:
    # The same signal; +-0.1 LU is the tolerance of EBU Tech 3341 for a meter. At 8 kHz the
    # bilinear transform bends the shelf, hence the wider bound there.
    bound = 0.1 if rate > 8_000 else 0.35
    assert integrated_lufs(tone(997, 0, 5, rate), rate) == pytest.approx(-3.01, abs=bound)


@pytest.mark.parametrize(
    ("signal", "expected"),
    [
        # EBU Tech 3341 (2023), table 1, cases 1 to 5, tolerance 0.1 LU.
        (((-23, 20),), -23.0),
        (((-33, 20),), -33.0),
        (((-36, 10), (-23, 60), (-36, 10)), -23.0),
        (((-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)), -23.0),
        (((-26, 20), (-20, 20.1), (-26, 20)), -23.0),
    ],
)
def test_gating_cases(signal: tuple[tuple[float, float], ...], expected: float) -> None:
    assert integrated_lufs(steps(*signal), RATE) == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize(
    ("hz", "expected"), [(20, -36.966), (100, -24.824), (1000, -22.993), (10_000, -19.649)]
)
def test_weighting_of_single_tones(hz: float, expected: float) -> None:
    # Computed from the coefficient table of ITU-R BS.1770-4: -23 - 0.691 + gain of the filter.
    assert integrated_lufs(both(tone(hz, -23, 20)), RATE) == pytest.approx(expected, abs=0.01)


def test_silence_and_gated_out_sound_have_no_number() -> None:
    assert integrated_lufs(np.zeros(RATE), RATE) is None
    assert integrated_lufs(np.zeros((0, 2)), RATE) is None
    assert integrated_lufs([], RATE) is None
    # Steady stereo 1 kHz at -71 dBFS lies below the absolute gate (ITU-R BS.1770-4).
    assert integrated_lufs(both(tone(1000, -71, 5)), RATE) is None


def test_agrees_with_the_reference_library() -> None:
    rng = np.random.default_rng(7)
    noise = rng.normal(0, 0.1, (RATE * 6, 2)) * np.linspace(0.01, 1, RATE * 6)[:, None]
    reference = pyloudnorm.Meter(RATE, filter_class="DeMan").integrated_loudness(noise)
    assert integrated_lufs(noise, RATE) == pytest.approx(reference, abs=1e-6)


def test_blocks_do_not_change_the_result() -> None:
    rng = np.random.default_rng(3)
    noise = rng.normal(0, 0.2, (50_000, 2))
    blocks = np.array_split(noise, [1, 5, 40, 4_000, 4_100, 30_000, 49_999])
    assert integrated_lufs(blocks, RATE) == pytest.approx(integrated_lufs(noise, RATE), abs=1e-9)
    assert true_peak_db(blocks, RATE) == pytest.approx(true_peak_db(noise, RATE), abs=1e-9)


def test_short_sound_reads_as_if_followed_by_silence() -> None:
    # 200 ms of 400 ms: half the power, 3.01 dB less, but for the filter's ring.
    short = integrated_lufs(tone(1000, -20, 0.2), RATE)
    whole = integrated_lufs(tone(1000, -20, 0.4), RATE)
    assert short is not None
    assert short == pytest.approx(whole - 10 * np.log10(2), abs=0.05)


@pytest.mark.parametrize(
    ("divisor", "amplitude", "phase", "expected"),
    [
        # EBU Tech 3341, cases 15 to 19, tolerance +0.2 / -0.4 dB.
        (4, 0.50, 0.0, -6.0),
        (4, 0.50, 45.0, -6.0),
        (6, 0.50, 60.0, -6.0),
        (8, 0.50, 67.5, -6.0),
        (4, 1.41, 45.0, 3.0),
    ],
)
def test_true_peak(divisor: int, amplitude: float, phase: float, expected: float) -> None:
    n = np.arange(RATE)
    fade = np.minimum(1, np.minimum(n, n[::-1]) / (0.01 * RATE))
    sine = amplitude * fade * np.sin(2 * np.pi * n / divisor + np.radians(phase))
    measured = true_peak_db(sine, RATE)
    assert measured is not None
    assert -0.4 <= measured - expected <= 0.2


def test_true_peak_of_silence_and_wrong_shapes() -> None:
    assert true_peak_db(np.zeros(100), RATE) is None
    with pytest.raises(ValueError, match=r"shape \(4, 3\)"):
        integrated_lufs(np.zeros((4, 3)), RATE)
    with pytest.raises(ValueError, match="rate_hz is 0"):
        true_peak_db(np.zeros(4), 0)
