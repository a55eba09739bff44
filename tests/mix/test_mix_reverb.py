"""What a room makes of a voice is told from the band by its decay and by the side."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import fftconvolve

from retune.repitch.frames import frames_of, hann, laid_over
from retune.repitch.reverb import DECAY_S, decayed, reverb_part

RATE_HZ = 44100
WET_DB = -10.0  # of the reverb in each channel, re the voice


def wavering(rate_hz: int = RATE_HZ) -> np.ndarray:
    """One second of a tone of ten harmonics whose pitch wavers."""
    time_s = np.arange(rate_hz) / rate_hz
    phase = 2 * np.pi * (220 * time_s + 1.2 * np.sin(2 * np.pi * 5 * time_s))
    fade = np.minimum(np.minimum(time_s, time_s[::-1]) / 0.02, 1)
    return 0.1 * fade * sum(np.cos(h * phase) / h for h in range(1, 11))


def room_of(voice: np.ndarray, rate_hz: int = RATE_HZ) -> np.ndarray:
    """Its reverb alone, as middle and side."""
    rng, n = np.random.default_rng(4), int(0.8 * rate_hz)
    tails = rng.standard_normal((2, n)) * np.exp(-6.9 * np.arange(n) / n)
    tails[:, : int(0.012 * rate_hz)] = 0
    tails *= 10 ** (WET_DB / 20) / np.sqrt(np.sum(tails**2, axis=1, keepdims=True))
    left, right = (fftconvolve(voice, tail)[: len(voice)] for tail in tails)
    return np.stack([(left + right) / 2, (left - right) / 2])


def db(power: float) -> float:
    return float(10 * np.log10(power + 1e-20))


def test_much_of_a_room_is_taken_where_it_is_alone() -> None:
    voice = wavering()
    reverb, lifted = room_of(voice), np.stack([voice, 0 * voice])
    left = reverb - reverb_part(reverb, lifted, rate_hz=RATE_HZ)
    assert db(np.sum(left**2) / np.sum(reverb**2)) < -2


def test_a_chord_beside_a_dry_voice_is_left_alone() -> None:
    voice, time_s = wavering(), np.arange(RATE_HZ) / RATE_HZ
    chord = sum(0.05 * np.cos(2 * np.pi * f * time_s) for f in (261.6, 329.6, 392.0, 523.3))
    band = np.stack([chord, 0.001 * chord])
    taken = reverb_part(band, np.stack([voice, 0 * voice]), rate_hz=RATE_HZ)
    assert db(np.sum(taken**2) / np.sum(band**2)) < -40


def test_a_chord_in_the_same_room_keeps_most_of_itself() -> None:
    voice, time_s = wavering(), np.arange(RATE_HZ) / RATE_HZ
    chord = sum(0.05 * np.cos(2 * np.pi * f * time_s) for f in (261.6, 329.6, 392.0, 523.3))
    band = np.stack([chord, 0.2 * chord])
    rest = room_of(voice) + band
    wrong = reverb_part(rest, np.stack([voice, 0 * voice]), rate_hz=RATE_HZ) - room_of(voice)
    # Nothing taken would be wrong by the whole of the room.
    assert np.sum(wrong**2) < 0.7 * np.sum(room_of(voice) ** 2)
    assert db(np.sum(wrong**2) / np.sum(band**2)) < -10


def test_one_channel_or_no_side_gives_nothing() -> None:
    voice = wavering()
    rest = room_of(voice)
    assert not reverb_part(rest[:1], voice[None], rate_hz=RATE_HZ).any()
    rest[1] = 0
    assert not reverb_part(rest, np.stack([voice, 0 * voice]), rate_hz=RATE_HZ).any()


def test_no_voice_has_no_room() -> None:
    rest = np.random.default_rng(1).standard_normal((2, 20000))
    assert not reverb_part(rest, np.zeros_like(rest), rate_hz=RATE_HZ).any()


@pytest.mark.parametrize("rate_hz", [8000, 22050, 48000, 96000])
def test_any_rate(rate_hz: int) -> None:
    voice = wavering(rate_hz)
    reverb = room_of(voice, rate_hz)
    left = reverb - reverb_part(reverb, np.stack([voice, 0 * voice]), rate_hz=rate_hz)
    assert db(np.sum(left**2) / np.sum(reverb**2)) < -2


@given(st.integers(1, 5000), st.sampled_from([64, 368, 2028]), st.integers(1, 2))
def test_spectra_give_the_sound_back(n: int, size: int, n_channels: int) -> None:
    x = np.random.default_rng(n).standard_normal((n_channels, n))
    made = np.fft.irfft(frames_of(x, size=size, hops=4), n=size, axis=2) * hann(size) / 1.5
    assert np.abs(laid_over(made, hops=4, length=n) - x).max() < 1e-5


def test_a_click_dies_away_by_sixty_decibels_and_keeps_its_sum() -> None:
    hop_s = 0.01
    power = np.zeros((400, 1))
    power[3] = 2.0
    fallen = decayed(power, hop_s=hop_s)
    assert not fallen[:4].any()
    later = 4 + round(DECAY_S / hop_s)
    assert 10 * np.log10(fallen[later, 0] / fallen[4, 0]) == pytest.approx(-60)
    assert fallen.sum() == pytest.approx(2.0, rel=1e-6)
