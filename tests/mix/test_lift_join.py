"""A lifted and an estimated voice joined, of sounds whose parts are known."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from retune.carriers.heard import Audio
from retune.repitch.lift import lift_voiced
from retune.repitch.lift_join import BLOCK, N_BINS, N_FIGURES, figures, joined, network, weights_of
from retune.repitch.seam import FRAME_S
from retune.separate import estimate_voice

RATE_HZ, N = 44100, 2 * 44100
SINGER = Path(__file__).parents[1] / "bench" / "real_voices" / "clip12.flac"


def tones(hz: float, *, seed: int, n: int = N, rate_hz: int = RATE_HZ) -> np.ndarray:
    rng, t = np.random.default_rng(seed), np.arange(n) / rate_hz
    turns = rng.uniform(0, 6, 12)
    return sum(0.1 / h * np.sin(2 * np.pi * h * hz * t + turns[h]) for h in range(1, 12))


VOICE = np.stack([tones(220.0, seed=1), np.zeros(N)])
BAND = np.stack([tones(277.2, seed=2), 0.6 * tones(329.6, seed=3)])


def snr_db(found: np.ndarray, wanted: np.ndarray = VOICE) -> float:
    inside = slice(RATE_HZ // 4, -RATE_HZ // 4)
    error = np.sum((found - wanted)[..., inside] ** 2)
    return float(10 * np.log10(np.sum(wanted[..., inside] ** 2) / error))


def test_a_real_voice_over_a_band_comes_nearer_than_by_the_mean_of_both() -> None:
    """A singer on whom nothing was fitted; lift and estimate err as they do in mixes."""
    y, _ = soundfile.read(SINGER, start=2 * RATE_HZ, frames=3 * RATE_HZ, dtype="float32")
    f0 = np.loadtxt(SINGER.with_name("clip12_f0.csv"), delimiter=",", skiprows=1)
    time_s = 2.0 + np.arange(0, 3.0, FRAME_S)
    f0_hz = np.interp(time_s, f0[:, 0], f0[:, 1])
    f0_hz = np.where(f0_hz > 80, f0_hz, np.nan)
    voice = np.stack([y, y]) * 0.3 / np.abs(y).max()
    low, high = (tones(hz, seed=k, n=len(y)) for k, hz in enumerate((130.8, 329.6)))
    mix = voice + 3 * np.stack([low + 0.3 * high, low + high])
    estimate = estimate_voice(Audio(mix.T.astype(np.float32), RATE_HZ)).read().T
    ways = (None, estimate)
    lifted, both = (lift_voiced(mix, f0_hz, rate_hz=RATE_HZ, reverb=True, estimate=e) for e in ways)
    sung = np.abs(lifted[0]) + np.abs(both[0]) > 0
    mean = 0.5 * (lifted + estimate)
    assert snr_db(both[:, sung], voice[:, sung]) > snr_db(mean[:, sung], voice[:, sung])


def test_what_both_hold_alone_is_the_voice() -> None:
    assert snr_db(joined(VOICE, VOICE, VOICE, rate_hz=RATE_HZ)) > 60


def test_a_long_passage_is_joined_as_a_short_one() -> None:
    x = np.random.default_rng(3).standard_normal((N_FIGURES, BLOCK + 40, 30)).astype(np.float32)
    whole, part = weights_of(x), weights_of(x[:, : BLOCK + 20])
    assert np.allclose(whole[:, :, : BLOCK + 19], part[:, :, : BLOCK + 19], atol=1e-5)


@pytest.mark.parametrize("n_channels", [1, 2, 3])
def test_any_number_of_channels_comes_back(n_channels: int) -> None:
    sound = np.stack([VOICE[0]] * n_channels)
    found = joined(sound, sound, sound, rate_hz=RATE_HZ)
    assert found.shape == sound.shape
    assert np.isfinite(found).all()


def test_silence_stays_silent() -> None:
    still = np.zeros((2, RATE_HZ))
    assert not joined(still, still, still, rate_hz=RATE_HZ).any()


def test_louder_in_is_louder_out() -> None:
    parts = (VOICE + BAND, VOICE + 0.2 * BAND, VOICE + 0.4 * BAND)
    once = joined(*parts, rate_hz=RATE_HZ)
    loud = joined(*(4 * part for part in parts), rate_hz=RATE_HZ)
    np.testing.assert_allclose(loud, 4 * once, atol=1e-4)


@pytest.mark.parametrize("rate_hz", [16000, 48000])
def test_other_rates_have_frames_of_the_same_length(rate_hz: int) -> None:
    voice = np.stack([tones(220.0, seed=1, n=rate_hz, rate_hz=rate_hz), np.zeros(rate_hz)])
    band = np.stack([tones(277.2, seed=2, n=rate_hz, rate_hz=rate_hz)] * 2)
    found = joined(voice + band, voice + 0.2 * band, voice + 0.6 * band, rate_hz=rate_hz)
    inside = slice(rate_hz // 4, -rate_hz // 4)
    error, of_mean = (np.sum(x[:, inside] ** 2) for x in (found - voice, 0.4 * band))
    assert error < 0.8 * of_mean


def test_the_network_takes_the_figures_and_gives_three_weights_of_two_channels() -> None:
    rng = np.random.default_rng(1)
    spectra = rng.normal(size=(3, 2, 5, N_BINS)) + 1j * rng.normal(size=(3, 2, 5, N_BINS))
    shown = figures(spectra.astype(np.complex64))
    assert shown.shape == (N_FIGURES, 5, N_BINS)
    assert network()[0].weight.shape[1] == N_FIGURES
    assert network()[-1].weight.shape[0] == 6


def test_where_nothing_is_followed_nothing_is_lifted() -> None:
    f0_hz = np.full(int(N / RATE_HZ / FRAME_S), 220.0)
    f0_hz[len(f0_hz) // 2 :] = np.nan
    mix, estimate = VOICE + BAND, (VOICE + 0.3 * BAND).astype(np.float32)
    found = lift_voiced(mix, f0_hz, rate_hz=RATE_HZ, reverb=True, estimate=estimate)
    assert not found[:, N // 2 + 500 :].any()
    assert found[:, : N // 2 - 500].any()
