"""Frames that repeat badly follow those that repeat well."""

import numpy as np
import pytest

from retune.track.steady import glides, least_bending, steadied

HOP_S = 256 / 22050


def vibrato(n: int = 100) -> np.ndarray:
    t = np.arange(n) * HOP_S
    return 220.0 * 2.0 ** (60.0 * np.sin(2 * np.pi * 5.8 * t) / 1200.0)


def cents_apart(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return np.abs(1200.0 * np.log2(a / b))


def test_sure_frames_keep_their_pitch() -> None:
    f0_hz = vibrato()
    answer = steadied(f0_hz, np.full(100, 0.001), hop_s=HOP_S)
    assert cents_apart(answer, f0_hz).max() < 0.5


def test_doubtful_frames_follow_the_vibrato_around_them() -> None:
    truth, local = vibrato(), np.full(100, 0.001)
    heard = truth.copy()
    heard[40:44] *= 2.0 ** (np.array([60.0, 90.0, 80.0, 40.0]) / 1200.0)
    local[40:44] = 0.3
    answer = steadied(heard, local, hop_s=HOP_S)
    assert cents_apart(answer, truth)[40:44].max() < 30.0
    assert cents_apart(answer, truth)[:38].max() < 1.0


def test_a_frame_not_measured_is_not_believed_like_a_sure_one() -> None:
    truth, local = np.full(50, 220.0), np.full(50, 0.001)
    heard = truth.copy()
    heard[25] *= 2.0 ** (100.0 / 1200.0)
    local[25] = 0.0
    assert cents_apart(steadied(heard, local, hop_s=HOP_S), truth)[25] < 60.0


def test_voicing_is_kept_and_nothing_crosses_a_gap() -> None:
    f0_hz = np.concatenate([np.full(20, 220.0), [np.nan], np.full(20, 247.0), [np.nan, 300.0]])
    answer = steadied(f0_hz, np.full(len(f0_hz), 0.5), hop_s=HOP_S)
    np.testing.assert_allclose(answer, f0_hz, rtol=1e-9)


def test_a_leap_is_left_alone() -> None:
    f0_hz = np.repeat([110.0, 220.0], 30)
    answer = steadied(f0_hz, np.full(60, 0.3), hop_s=HOP_S)
    np.testing.assert_allclose(answer, f0_hz, rtol=1e-9)


def test_glides_are_split_at_leaps_and_gaps() -> None:
    cents = np.array([0.0, 10.0, 20.0, np.nan, 5.0, 6.0, 500.0, 501.0, 502.0])
    assert glides(100.0 * 2.0 ** (cents / 1200.0), most=100.0) == [(0, 3), (6, 9)]
    assert glides(np.zeros(0), most=100.0) == []


@pytest.mark.parametrize("n", [3, 4, 50])
def test_least_bending_solves_the_normal_equations(n: int) -> None:
    rng = np.random.default_rng(5)
    cents, spread = rng.normal(0, 40, n), rng.uniform(1, 90, n)
    second = np.diff(np.eye(n), 2, axis=0)
    wanted = np.linalg.solve(np.diag(spread**-2) + second.T @ second / 20.0**2, cents * spread**-2)
    np.testing.assert_allclose(least_bending(cents, spread, bend=20.0), wanted, atol=1e-6)


def test_a_long_stretch_is_the_same_in_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(6)
    f0_hz = vibrato(1000) * 2.0 ** (rng.normal(0, 30, 1000) / 1200.0)
    local = rng.uniform(0.001, 0.5, 1000)
    whole = steadied(f0_hz, local, hop_s=HOP_S)
    monkeypatch.setattr("retune.track.steady.PART", 130)
    assert cents_apart(steadied(f0_hz, local, hop_s=HOP_S), whole).max() < 0.01
