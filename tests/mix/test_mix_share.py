"""How much of the harmonics is voice, against sounds whose parts are known."""

from __future__ import annotations

import numpy as np
import pytest

from retune.repitch.judge import AUDIBLE, CLEAN, CLEAN_BELOW, DO_NOT_USE, Measured, word_of
from retune.repitch.lift import frames_of
from retune.repitch.share import BASS, VOICE, Comb, harmonics

PERIOD, N = 40, 40 * 24 * 6


def tones(places: list[float], *, seed: int) -> np.ndarray:
    """Tones at multiples of the pitch, 1/h loud."""
    rng, at = np.random.default_rng(seed), np.arange(N) / PERIOD
    return np.sum([np.cos(2 * np.pi * h * at + rng.uniform(0, 6)) / h for h in places], axis=0)


def shares(mid: np.ndarray, side: np.ndarray | None, *, comb: Comb = VOICE) -> np.ndarray:
    """Share of each harmonic of the first channel in the middle of the sound."""
    noise = 0.02 * np.random.default_rng(9).standard_normal((2, N))
    sound = np.stack([mid] if side is None else [mid, side]) + noise[: 1 if side is None else 2]
    found = harmonics(frames_of(sound, size=comb.periods * PERIOD), comb=comb, n_harmonics=8)
    return found.share[0, found.share.shape[1] // 2]


HARMONICS = [float(h) for h in range(1, 9)]


@pytest.mark.parametrize("comb", [VOICE, BASS])
def test_a_voice_over_silence_is_nearly_all_voice(comb: Comb) -> None:
    for side in (np.zeros(N), None):
        assert (shares(tones(HARMONICS, seed=1), side, comb=comb) > 0.9).all()


def test_noise_alone_is_less_than_half_voice() -> None:
    noise = np.random.default_rng(2).standard_normal((2, N))
    assert np.median(shares(noise[0], noise[1])) < 0.5


def test_a_chord_at_the_side_on_the_same_harmonic_is_doubted_alone() -> None:
    voice, chord = tones(HARMONICS, seed=1), 2 * tones([3.02], seed=2)
    alone, mixed = shares(voice, np.zeros(N)), shares(voice + chord, 0.8 * chord)
    doubt = (1 - mixed) / (1 - alone)  # as good as the odds
    assert doubt[2] > 30
    assert (doubt[[0, 5, 6]] < 5).all()


def test_more_voice_on_the_harmonics_lowers_the_risk_and_room_raises_it() -> None:
    near = Measured(clear_db=15.0, lead_db=3.0, left_db=-15.0, beside_db=-28.0)
    assert near.risk < CLEAN_BELOW
    assert Measured(5.0, 3.0, -15.0, -28.0).risk > near.risk
    assert Measured(15.0, 3.0, -15.0, -8.0).risk > near.risk


def test_no_edit_is_clean_that_left_the_old_pitch_there() -> None:
    assert word_of(Measured(15.0, 3.0, -15.0, -28.0), confidence=1.0) == (CLEAN, False)
    still_there = Measured(15.0, 3.0, -1.0, -28.0)
    assert still_there.risk < CLEAN_BELOW
    assert word_of(still_there, confidence=1.0) == (AUDIBLE, False)
    assert word_of(still_there, confidence=0.1) == (DO_NOT_USE, True)


def test_a_note_that_a_person_gave_may_be_faint() -> None:
    faint = Measured(12.0, -9.0, -2.0, -28.0)
    assert faint.risk < CLEAN_BELOW
    assert word_of(faint, confidence=0.4) == (DO_NOT_USE, True)
    assert word_of(faint, confidence=0.4, guided=True) == (CLEAN, False)
    assert word_of(faint, confidence=0.1, guided=True) == (AUDIBLE, True)
    assert word_of(faint, confidence=0.01, guided=True) == (DO_NOT_USE, True)
