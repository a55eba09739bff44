"""How much of the harmonics is voice, against sounds whose parts are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from retune.repitch.frames import frames_of
from retune.repitch.judge import AUDIBLE, CLEAN, DO_NOT_USE, Measured, word_of
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
        found = shares(tones(HARMONICS, seed=1), side, comb=comb)
        assert (found[1:] > 0.8).all()  # one steady low tone may be a bass's
        assert np.median(found) > 0.95


def test_noise_alone_is_less_than_half_voice() -> None:
    noise = np.random.default_rng(2).standard_normal((2, N))
    assert np.median(shares(noise[0], noise[1])) < 0.5


def test_a_chord_at_the_side_on_the_same_harmonic_is_doubted_alone() -> None:
    voice, chord = tones(HARMONICS, seed=1), 2 * tones([3.02], seed=2)
    alone, mixed = shares(voice, np.zeros(N)), shares(voice + chord, 0.8 * chord)
    doubt = (1 - mixed) / (1 - alone)  # as good as the odds
    assert doubt[2] > 10
    assert (doubt[[0, 5, 6]] < 5).all()


CLEAR = Measured(clear_db=15.0, lead_db=3.0, left_db=-15.0, beside_db=-28.0)


def clean(found: Measured, *, sure: float = 1.0) -> float:
    return found.chances(sure=sure)[CLEAN]


def test_chances_are_of_three_words_and_add_up_to_one() -> None:
    for sure in (0.0, 0.3, 1.0):
        for clear_db in (-10.0, 5.0, 20.0):
            chances = replace(CLEAR, clear_db=clear_db).chances(sure=sure)
            assert list(chances) == [CLEAN, AUDIBLE, DO_NOT_USE]
            assert sum(chances.values()) == pytest.approx(1.0)
            assert min(chances.values()) >= 0.0


def test_more_voice_on_the_harmonics_makes_clean_likelier_and_room_less_likely() -> None:
    assert clean(CLEAR) > 0.9
    assert clean(replace(CLEAR, clear_db=5.0)) < clean(CLEAR)
    assert clean(replace(CLEAR, beside_db=-8.0)) < clean(CLEAR)


def test_a_note_that_may_not_be_the_melody_is_not_to_be_moved() -> None:
    dim = replace(CLEAR, clear_db=-12.0, lead_db=-15.0, left_db=-1.0)
    assert word_of(dim.chances(sure=0.08), sure=0.08) == DO_NOT_USE
    assert word_of(dim.chances(sure=0.9), sure=0.9) == CLEAN
    assert word_of(CLEAR.chances(sure=0.05), sure=0.05) == DO_NOT_USE
    assert word_of(CLEAR.chances(sure=0.9), sure=0.9) == CLEAN
    unfit = CLEAR.chances(sure=0.0)[DO_NOT_USE]
    assert unfit > 20 * CLEAR.chances(sure=1.0)[DO_NOT_USE]
    assert unfit > 0.2
