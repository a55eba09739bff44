"""The onset curve and its beats, against clicks and tones whose times are known."""

from __future__ import annotations

import numpy as np
import pytest

from retune.analysis.onset_curve import HOP, HOP_S, RATE_HZ, onset_curves
from retune.analysis.pulse import (
    beat_frames,
    followed_period_s,
    strongest_periods_s,
    tempogram,
)
from retune.carriers.heard import Audio
from retune.sound.audio import open_audio

CLICKS_BPM = 104.0


@pytest.fixture(scope="module")
def struck(tmp_path_factory):
    """45 s of clicks in noise, 104 a minute, stereo at 44.1 kHz: longer than two blocks."""
    import soundfile

    rng, rate_hz = np.random.default_rng(3), 44100
    sound = 0.001 * rng.standard_normal((45 * rate_hz, 2))
    decay = np.exp(-np.arange(2000) / 200)
    for time_s in np.arange(75) * 60 / CLICKS_BPM:
        at = round(time_s * rate_hz)
        sound[at : at + 2000] += (0.3 * rng.standard_normal(2000) * decay)[:, None]
    path = tmp_path_factory.mktemp("struck") / "clicks.wav"
    soundfile.write(path, sound, rate_hz, subtype="FLOAT")
    return path


def played(onsets_s: np.ndarray) -> Audio:
    """A tone of three partials from each onset to the next, an attack of 10 ms."""
    rng, ends_s = np.random.default_rng(5), [*onsets_s[1:], onsets_s[-1] + 0.6]
    samples = 1e-4 * rng.standard_normal(round((ends_s[-1] + 0.5) * RATE_HZ))
    for start_s, end_s in zip(onsets_s, ends_s, strict=True):
        n = np.arange(round(0.95 * (end_s - start_s) * RATE_HZ))
        phase = 2 * np.pi * 220 * 2 ** (rng.integers(12) / 12) * n / RATE_HZ
        tone = np.sin(phase) + 0.5 * np.sin(2 * phase) + 0.3 * np.sin(3 * phase)
        at = round(start_s * RATE_HZ)
        shape = np.minimum(1.0, n / (0.01 * RATE_HZ)) * np.exp(-n / 9000)
        samples[at : at + len(n)] += 0.3 * tone * shape
    return Audio(samples[:, None], RATE_HZ)


def beats_of(curve: np.ndarray) -> np.ndarray:
    lags = tempogram(curve)
    period_s = followed_period_s(lags, strongest_periods_s(lags)[0], len(curve))
    return beat_frames(curve, period_s) * HOP_S


def nearest_s(beats: np.ndarray, truth: np.ndarray) -> np.ndarray:
    return np.array([beats[np.argmin(np.abs(beats - t))] - t for t in truth])


def test_blocks_make_the_curve_of_the_whole(struck):
    lazy, whole = open_audio(struck), open_audio(struck).read()
    ours = onset_curves([lazy], longest_s=600.0).all
    at_once = onset_curves([Audio(whole, 44100)], longest_s=600.0).all
    assert np.array_equal(ours, at_once)


def test_sounds_are_summed_before_they_are_heard(struck):
    sound = open_audio(struck).read()
    halves = [Audio(part, 44100) for part in (0.25 * sound, 0.75 * sound[: 20 * 44100])]
    both = halves[0].read().copy()
    both[: 20 * 44100] += halves[1].read()
    ours, summed = (onset_curves(s, longest_s=60.0).all for s in (halves, [Audio(both, 44100)]))
    assert np.allclose(ours, summed, atol=1e-3 * summed.max())


def test_clicks_are_beats_where_they_sound(struck):
    curve = onset_curves([open_audio(struck)], longest_s=600.0).all
    assert 60 / strongest_periods_s(tempogram(curve))[0] == pytest.approx(CLICKS_BPM, rel=0.01)
    errors_s = nearest_s(beats_of(curve), np.arange(75) * 60 / CLICKS_BPM)
    assert abs(np.median(errors_s)) < 0.005
    assert np.abs(errors_s).max() < 0.02


def test_a_tempo_that_drifts_by_a_fifth_is_followed():
    onsets_s = 0.4 + np.cumsum(np.linspace(0.60, 0.50, 100))
    errors_s = nearest_s(beats_of(onset_curves([played(onsets_s)], longest_s=600.0).all), onsets_s)
    assert abs(np.median(errors_s)) < 0.012
    assert np.mean(np.abs(errors_s) < 0.05) > 0.97


def test_four_minutes_do_not_drift():
    onsets_s = 0.4 + np.arange(4 * 91) * 60 / 91
    errors_s = nearest_s(beats_of(onset_curves([played(onsets_s)], longest_s=600.0).all), onsets_s)
    assert np.abs(errors_s).max() < 0.03
    assert abs(np.median(errors_s[-40:]) - np.median(errors_s[:40])) < 0.003


def test_only_the_beginning_is_heard(struck):
    assert len(onset_curves([open_audio(struck)], longest_s=10.0).all) == 1 + 10 * RATE_HZ // HOP
