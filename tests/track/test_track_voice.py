"""Warnings about stems that are not one dry voice: silent on solo voices, loud on mixtures."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import fftconvolve
from signals import audio_of, tone

from retune.track import track_pitch, voice_warnings

RATE = 22050


def melody(low_midi, seed, seconds=8.0, rest_s=0.1):
    """Detached notes with vibrato and scoops over an octave."""
    rng = np.random.default_rng(seed)
    parts = []
    while sum(map(len, parts)) < seconds * RATE:
        length = rng.uniform(0.3, 0.8)
        time_s = np.arange(round(length * RATE)) / RATE
        midi = low_midi + rng.integers(0, 13) - 0.8 * np.exp(-time_s / 0.04)
        midi = midi + 0.4 * np.sin(2 * np.pi * 5.5 * time_s)
        note = tone(440 * 2 ** ((midi - 69) / 12), seconds=len(time_s) / RATE, rate_hz=RATE)
        fade = np.minimum(np.minimum(time_s, time_s[-1] - time_s) / 0.03, 1.0)
        parts += [note * fade, np.zeros(round(rest_s * RATE))]
    samples = np.concatenate(parts)[: round(seconds * RATE)]
    return samples + 0.0005 * rng.standard_normal(len(samples))


def held(*midi, seconds=4.0):
    return sum(tone(440 * 2 ** ((m - 69) / 12), seconds=seconds, rate_hz=RATE) for m in midi) / 3


def warned(samples, fmin_hz=65.0, fmax_hz=1200.0):
    sound = audio_of(samples, RATE)
    return voice_warnings(sound, track_pitch(sound, fmin_hz=fmin_hz, fmax_hz=fmax_hz))


@pytest.mark.parametrize("low_midi", [45, 53, 62, 69])
def test_a_solo_voice_is_left_in_peace(low_midi):
    assert warned(melody(low_midi, seed=low_midi)) == []


def test_a_solo_voice_in_some_noise_is_left_in_peace():
    noise = 0.01 * np.random.default_rng(3).standard_normal(8 * RATE)
    assert warned(melody(57, seed=1) + noise) == []


@pytest.mark.parametrize("other_gain", [1.0, 0.5])
def test_two_voices_are_heard(other_gain):
    lines = warned(melody(50, seed=1) + other_gain * melody(60, seed=2))
    assert any("more than one voice" in line for line in lines)


@pytest.mark.parametrize(
    "chord", [(60, 67), (60, 63), (60, 64, 67), (57, 60, 64), (48, 55, 64), (60, 69)]
)
def test_chords_are_heard(chord):
    assert any("more than one voice" in line for line in warned(held(*chord)))


def test_a_melody_above_the_range_is_named():
    lines = warned(melody(65, seed=5), fmax_hz=300.0)
    assert len(lines) == 1
    assert "above the range" in lines[0]


def test_a_melody_below_the_range_is_named():
    lines = warned(melody(43, seed=6), fmin_hz=250.0)
    assert len(lines) == 1
    assert "below the range" in lines[0]


def test_strong_reverb_is_named():
    n = 2 * RATE
    room = np.random.default_rng(7).standard_normal(n) * 10 ** (-3 * np.arange(n) / n)
    room *= np.sqrt(0.5 / np.sum(room**2))
    room[0] = 1.0
    samples = melody(55, seed=8, seconds=14.0, rest_s=0.5)
    assert warned(samples) == []
    wet = fftconvolve(samples, room)[: len(samples)]
    assert any("strong reverb" in line for line in warned(wet))


@pytest.mark.parametrize("samples", [np.zeros(0), np.zeros(10), np.zeros(RATE)])
def test_silence_and_nothing_draw_no_warning(samples):
    assert warned(samples) == []
