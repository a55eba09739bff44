"""Following a melody inside a mix without a guide: the network's arithmetic and its ears."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import convolve

from retune.carriers.errors import UsageError
from retune.carriers.heard import Audio
from retune.sound.netlayers import Layer
from retune.track import melody_net as net
from retune.track import track_mix
from retune.track.mix_frames import BLOCK, HOP, RATE_HZ, STRIDE, Frames, frames_of, spectra_of

SECONDS = 3.0


def voice(hz: float, *, n: int, rng: np.random.Generator) -> np.ndarray:
    """Harmonics under two formants' worth of tilt, with vibrato."""
    t = np.arange(n) / RATE_HZ
    turn = 2 * np.pi * np.cumsum(hz * 2 ** (0.4 * np.sin(2 * np.pi * 5.5 * t) / 12)) / RATE_HZ
    top = int(4500 / hz)
    return sum(h**-0.7 * np.cos(h * turn + rng.uniform(0, 6.3)) for h in range(1, top))  # type: ignore[return-value]


def chord(*, n: int, rng: np.random.Generator) -> np.ndarray:
    t = np.arange(n) / RATE_HZ
    out = np.zeros((n, 2))
    for hz, side in ((130.8, 0.1), (164.8, 0.9), (196.0, 0.2), (261.6, 0.8)):
        tone = sum(
            h**-1.3 * np.cos(2 * np.pi * h * hz * t + rng.uniform(0, 6)) for h in range(1, 9)
        )
        out += np.outer(tone * np.exp(-t / 1.5), [np.sqrt(side), np.sqrt(1 - side)])
    return out


@pytest.fixture(scope="module")
def sung() -> Audio:
    """One second of chord, then a voice on G4 over it, then chord alone."""
    rng, n = np.random.default_rng(4), int(SECONDS * RATE_HZ)
    on = slice(RATE_HZ, 2 * RATE_HZ)
    mix = chord(n=n, rng=rng)
    lead = np.zeros(n)
    lead[on] = voice(392.0, n=RATE_HZ, rng=rng) * np.minimum(1, np.arange(RATE_HZ) / 800)
    mix /= np.sqrt(np.mean(mix[on] ** 2))
    mix += 1.4 * (lead / np.sqrt(np.mean(lead[on] ** 2)))[:, None]
    return Audio((0.1 * mix).astype(np.float32), RATE_HZ)


def test_a_layer_is_a_convolution() -> None:
    # scipy.signal.convolve is the reference; it turns its kernel round.
    rng = np.random.default_rng(0)
    layer = Layer(rng.normal(size=(3, 2, 5, 3)).astype(np.float32), np.arange(3.0), 2)
    x = rng.normal(size=(2, 37, 11)).astype(np.float32)
    got = layer.of(x)
    spread = np.zeros((3, 2, 9, 3))
    spread[:, :, ::2] = layer.weight
    for o in range(3):
        want = sum(convolve(x[i], spread[o, i, ::-1, ::-1], "same") for i in range(2)) + o
        np.testing.assert_allclose(got[o], want, atol=1e-4)


def test_odds_are_probabilities(sung: Audio) -> None:
    (frames,) = frames_of(sung)
    np.testing.assert_allclose(np.exp(frames.log_odds[::STRIDE]).sum(axis=1), 1.0, atol=1e-3)
    assert frames.log_odds.shape == (1 + sung.n_samples // HOP, net.N_PITCHES + 1)
    assert frames.level_db.shape == (len(frames.log_odds), net.N_PITCHES)


def test_a_tone_stands_on_its_place_of_the_grid() -> None:
    t = np.arange(RATE_HZ) / RATE_HZ
    for hz in (110.0, 440.0, 1760.0):
        tone = np.cos(2 * np.pi * hz * t).astype(np.float32)
        (found,) = spectra_of(Audio(np.stack([tone, tone], axis=1), RATE_HZ))
        peak = net.GRID_HZ[int(np.argmax(found[0, 40]))]
        assert abs(1200 * np.log2(peak / hz)) < 34  # one place of the grid
        assert found[1].max() < 1e-3 * found[0].max()  # nothing at the sides


def test_blocks_answer_as_the_whole_does() -> None:
    # A steady loudness, so that every block is measured by the same.
    rng = np.random.default_rng(1)
    noise = rng.normal(0, 0.1, (int(2.6 * BLOCK) * HOP, 2)).astype(np.float32)
    parts = list(frames_of(Audio(noise, RATE_HZ)))
    assert [len(p.log_odds) for p in parts][:2] == [BLOCK, BLOCK]
    magnitudes = np.concatenate(list(spectra_of(Audio(noise, RATE_HZ))), axis=1)
    loud = float(np.sqrt(np.mean(magnitudes[0] ** 2)))
    whole = net.log_odds(magnitudes[:, ::STRIDE], loud=loud)
    odds = np.concatenate([p.log_odds for p in parts])[::STRIDE]
    assert len(odds) == len(whole)
    assert np.abs(np.exp(odds) - np.exp(whole)).max() < 0.02


def test_a_voice_over_a_chord_is_found_and_the_chord_alone_is_not(sung: Audio) -> None:
    track = track_mix(sung, fmin_hz=65.0, fmax_hz=1200.0)
    inside = (track.time_s > 1.1) & (track.time_s < 1.9)
    away = 1200 * np.log2(track.f0_hz[inside] / 392.0)
    assert np.mean(np.abs(away) < 60) > 0.9  # vibrato of 40 cents
    outside = (track.time_s < 0.8) | (track.time_s > 2.2)
    assert np.mean(np.isfinite(track.f0_hz[outside])) < 0.2
    assert track.voiced_prob[inside].mean() > 0.5


def test_loudness_does_not_matter(sung: Audio) -> None:
    quiet = Audio((sung.read(0, sung.n_samples) * 0.01).astype(np.float32), RATE_HZ)
    loud, soft = (track_mix(a, fmin_hz=65.0, fmax_hz=1200.0) for a in (sung, quiet))
    np.testing.assert_array_equal(np.isfinite(loud.f0_hz), np.isfinite(soft.f0_hz))
    np.testing.assert_allclose(loud.f0_hz, soft.f0_hz, rtol=1e-3)
    heard = np.isfinite(loud.f0_hz)
    np.testing.assert_allclose((loud.energy_db - soft.energy_db)[heard], 40.0, atol=0.5)


@pytest.mark.parametrize("n", [0, 1, 100, HOP, 3000])
def test_short_files_are_answered(n: int) -> None:
    track = track_mix(Audio(np.zeros((n, 2), np.float32), 44100), fmin_hz=65.0, fmax_hz=1200.0)
    assert not np.isfinite(track.f0_hz).any()


def test_nothing_is_found_outside_the_bounds(sung: Audio) -> None:
    track = track_mix(sung, fmin_hz=65.0, fmax_hz=300.0)
    assert not (track.f0_hz > 310.0).any()
    with pytest.raises(UsageError):
        track_mix(sung, fmin_hz=300.0, fmax_hz=65.0)


def test_a_hush_is_not_made_loud() -> None:
    """What is far softer than all before it is measured by what came before."""
    rng = np.random.default_rng(2)
    n = BLOCK * HOP
    noise = rng.normal(0, 1, (3 * n, 2))
    noise[2 * n - 4 * RATE_HZ :] *= 1e-4
    parts: list[Frames] = list(frames_of(Audio((0.1 * noise).astype(np.float32), RATE_HZ)))
    assert np.exp(parts[-1].log_odds[BLOCK // 2 :, -1]).mean() > 0.6
