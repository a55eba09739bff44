"""The default tracker on sounds whose pitch is known from a formula."""

from __future__ import annotations

import numpy as np
import pytest
from signals import audio_of, errors_cents, tone

from retune.track import track_pitch

RATE = 22050


def follow(samples, rate_hz=RATE, fmin_hz=65.0, fmax_hz=1200.0):
    return track_pitch(audio_of(samples, rate_hz), fmin_hz=fmin_hz, fmax_hz=fmax_hz)


@pytest.mark.parametrize("f0_hz", [82.4069, 110.0, 233.0819, 440.0, 698.4565, 1046.5023])
@pytest.mark.parametrize("harmonics", [1, 8, 40])
def test_a_steady_tone_is_exact(f0_hz, harmonics):
    track = follow(tone(f0_hz, seconds=0.8, rate_hz=RATE, harmonics=harmonics))
    assert np.abs(errors_cents(track, f0_hz)).max() < 0.5


@pytest.mark.parametrize(("f0_hz", "fmin_hz", "fmax_hz"), [(30.8677, 28, 300), (41.2034, 30, 400)])
def test_a_bass_is_followed_down_to_its_lowest_string(f0_hz, fmin_hz, fmax_hz):
    samples = tone(f0_hz, seconds=1.0, rate_hz=RATE, harmonics=12)
    track = follow(samples, fmin_hz=fmin_hz, fmax_hz=fmax_hz)
    assert np.abs(errors_cents(track, f0_hz)).max() < 1.0


def test_a_whistle_is_followed():
    track = follow(tone(2093.0045, seconds=0.6, rate_hz=RATE, harmonics=1), fmax_hz=3000.0)
    assert np.abs(errors_cents(track, 2093.0045)).max() < 1.0


def test_a_missing_fundamental_is_found():
    phase = 2 * np.pi * 200 * np.arange(RATE) / RATE
    samples = 0.1 * sum(np.sin(k * phase) for k in range(3, 9))
    assert np.abs(errors_cents(follow(samples), 200.0)).max() < 0.5


@pytest.mark.parametrize("octaves_per_s", [0.5, -0.5, 1.5])
def test_a_glide_is_read_where_it_is_in_time(octaves_per_s):
    """A shift in time of 0.1 ms would show as 0.06 cents at half an octave a second."""
    time_s = np.arange(RATE) / RATE
    start_hz = 200.0 if octaves_per_s > 0 else 400.0
    track = follow(tone(start_hz * 2 ** (octaves_per_s * time_s), seconds=1.0, rate_hz=RATE))
    errors = errors_cents(track, start_hz * 2 ** (octaves_per_s * track.time_s))
    assert abs(np.median(errors) / (1200 * octaves_per_s)) < 1e-4
    assert np.abs(errors).max() < 3.0


@pytest.mark.parametrize("rate_hz", [44100, 48000])
def test_resampling_does_not_move_anything_in_time(rate_hz):
    time_s = np.arange(rate_hz) / rate_hz
    track = follow(tone(200 * 2**time_s, seconds=1.0, rate_hz=rate_hz), rate_hz)
    assert abs(np.median(errors_cents(track, 200 * 2**track.time_s))) / 1200 < 1e-4


def test_vibrato_keeps_its_extent_and_its_centre():
    time_s = np.arange(2 * RATE) / RATE
    samples = tone(330 * 2 ** (np.sin(2 * np.pi * 6 * time_s) / 12), seconds=2.0, rate_hz=RATE)
    track = follow(samples)
    truth = 330 * 2 ** (np.sin(2 * np.pi * 6 * track.time_s) / 12)
    errors = errors_cents(track, truth)
    assert np.abs(errors).max() < 2.0
    assert abs(errors.mean()) < 0.2


@pytest.mark.parametrize("rate_hz", [8000, 11025, 16000, 32000, 44100, 48000, 96000])
def test_any_rate_gives_the_same_pitch(rate_hz):
    track = follow(tone(261.6256, seconds=0.6, rate_hz=rate_hz), rate_hz)
    assert np.abs(errors_cents(track, 261.6256)).max() < 0.5
    assert track.time_s[-1] == pytest.approx(0.6, abs=0.012)


def test_silence_is_unvoiced():
    track = follow(np.zeros(RATE))
    assert not np.isfinite(track.f0_hz).any()
    assert np.isfinite(track.voiced_prob).all()
    assert (track.energy_db <= -120).all()


def test_white_noise_is_mostly_unvoiced():
    track = follow(0.1 * np.random.default_rng(1).standard_normal(2 * RATE))
    assert np.isfinite(track.f0_hz).mean() < 0.1


def test_hiss_below_the_floor_is_unvoiced_and_a_soft_tone_is_not():
    faint = tone(220.0, seconds=0.8, rate_hz=RATE)
    assert not np.isfinite(follow(1e-4 * faint).f0_hz).any()
    assert np.abs(errors_cents(follow(0.02 * faint), 220.0)).max() < 2.0


def test_voicing_starts_and_stops_with_the_tone():
    samples = np.zeros(2 * RATE)
    samples[RATE // 2 : RATE + RATE // 2] = tone(220.0, seconds=1.0, rate_hz=RATE)
    voiced_s = follow(samples).time_s[np.isfinite(follow(samples).f0_hz)]
    assert voiced_s[0] == pytest.approx(0.5, abs=0.015)
    assert voiced_s[-1] == pytest.approx(1.5, abs=0.015)


def test_energy_is_the_level_of_the_frame():
    track = follow(0.5 * np.sin(2 * np.pi * 440 * np.arange(RATE) / RATE))
    middle = track.energy_db[20:-20]
    # A sine of amplitude 0.5 has a mean power of 1/8.
    assert middle == pytest.approx(10 * np.log10(0.125), abs=0.05)


@pytest.mark.parametrize("n_samples", [0, 1, 100, 1500])
def test_very_short_sound_gives_a_short_track(n_samples):
    track = follow(tone(220.0, seconds=n_samples / RATE, rate_hz=RATE))
    assert len(track.time_s) == (1 + n_samples // 256 if n_samples else 0)
    assert np.isfinite(track.voiced_prob).all()


def test_samples_that_are_no_numbers_count_as_silence():
    samples = tone(220.0, seconds=1.0, rate_hz=RATE)
    samples[10000:10010] = np.nan
    track = follow(samples)
    assert np.isfinite(track.voiced_prob).all()
    assert np.isfinite(track.energy_db).all()


def test_channels_are_averaged():
    mono = tone(220.0, seconds=0.5, rate_hz=RATE)
    stereo = track_pitch(
        audio_of(np.stack([1.5 * mono, 0.5 * mono], axis=1), RATE), fmin_hz=65, fmax_hz=1000
    )
    alone = track_pitch(audio_of(mono, RATE), fmin_hz=65, fmax_hz=1000)
    assert stereo.f0_hz == pytest.approx(alone.f0_hz, rel=1e-6, nan_ok=True)
    assert stereo.energy_db == pytest.approx(alone.energy_db, abs=1e-3)
