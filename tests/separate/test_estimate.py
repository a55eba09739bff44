"""The voice in a mix as a sound that can be read anywhere."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from retune.carriers.heard import Audio
from retune.separate.estimate import KEPT, VoiceEstimate, Without, estimate_voice, hop_of

VOICE = Path(__file__).parents[1] / "bench" / "real_voices" / "clip12.flac"
RATE_HZ = 44100


def sung(seconds: float) -> np.ndarray:
    y, _ = soundfile.read(VOICE, frames=round(seconds * RATE_HZ), dtype="float32")
    return np.stack([y, y], axis=1) * np.float32(0.5 / np.abs(y).max())


def band(n: int, rate_hz: int = RATE_HZ) -> np.ndarray:
    """Plucked chords left and right, and a bass, (n, 2)."""
    t = np.arange(n) / rate_hz
    out = np.zeros((n, 2))
    for side, midis in ((0, (60, 64, 67)), (1, (67, 72, 76))):
        for midi in midis:
            hz = 440 * 2 ** ((midi - 69) / 12)
            age = t % 0.75
            for k in range(1, 9):
                out[:, side] += np.sin(2 * np.pi * k * hz * t) * np.exp(-4 * age) / k**1.5
    out += np.sin(2 * np.pi * 65.4 * t)[:, None]
    return (0.06 * out).astype(np.float32)


def power(x: np.ndarray) -> float:
    return float(np.mean(np.square(x, dtype=np.float64)))


def whole_share(block: int) -> np.ndarray:
    return np.full((KEPT, 1024, 2), 65535, np.uint16)


def test_a_share_of_all_gives_the_mix_back_below_11_khz() -> None:
    rng = np.random.default_rng(1)
    hop = hop_of(RATE_HZ)
    slow = np.repeat(rng.normal(size=(40 * hop // 64, 2)), 64, axis=0)
    slow = np.apply_along_axis(lambda c: np.convolve(c, np.hanning(128) / 64, "same"), 0, slow)
    mix = Audio(slow.astype(np.float32), RATE_HZ)
    found = VoiceEstimate(mix, whole_share).read()
    assert found.shape == (mix.n_samples, 2)
    assert power(found - mix.samples) < 1e-4 * power(mix.samples)


def test_pieces_are_the_whole_read_at_once() -> None:
    mix = Audio(sung(14.0) + band(14 * RATE_HZ), RATE_HZ)
    estimate = estimate_voice(mix)
    whole = estimate.read()
    for start, stop in ((0, 1000), (459_000, 502_345), (14 * RATE_HZ - 777, 14 * RATE_HZ + 50)):
        np.testing.assert_allclose(estimate.read(start, stop), whole[start:stop], atol=2e-6, rtol=0)
    assert estimate.read(5, 5).shape == (0, 2)


def test_a_real_voice_over_a_band_is_parted_from_it() -> None:
    """At equal levels; the bounds leave room for this toy band (bench_joined.py: real bands)."""
    voice = sung(11.0)
    chords = band(len(voice))
    chords *= np.float32(np.sqrt(power(voice) / power(chords)))
    mix = Audio(voice + chords, RATE_HZ)
    found = estimate_voice(mix).read()
    assert power(found - voice) < 0.2 * power(voice)
    rest = Without(mix, estimate_voice(mix)).read(1000, 50_000)
    np.testing.assert_allclose(
        rest + found[1000:50_000], mix.samples[1000:50_000], atol=2e-6, rtol=0
    )


def test_a_band_alone_leaves_little() -> None:
    mix = Audio(band(11 * RATE_HZ), RATE_HZ)
    assert power(estimate_voice(mix).read()) < 0.05 * power(mix.samples)


def test_a_softer_mix_is_heard_alike() -> None:
    loud = sung(11.0) + band(11 * RATE_HZ)
    found = estimate_voice(Audio(loud, RATE_HZ)).read()
    soft = estimate_voice(Audio(loud * np.float32(0.02), RATE_HZ)).read()
    assert power(50 * soft - found) < 1e-3 * power(found)


@pytest.mark.parametrize("rate_hz", [8000, 22050, 48000, 96000])
@pytest.mark.parametrize("n_channels", [1, 2])
def test_any_rate_and_one_channel_are_read(rate_hz: int, n_channels: int) -> None:
    mix = Audio(band(3 * rate_hz, rate_hz)[:, :n_channels], rate_hz)
    found = estimate_voice(mix).read()
    assert found.shape == mix.samples.shape
    assert np.isfinite(found).all()


def test_silence_stays_silence() -> None:
    mix = Audio(np.zeros((RATE_HZ, 2), np.float32), RATE_HZ)
    assert not estimate_voice(mix).read().any()
