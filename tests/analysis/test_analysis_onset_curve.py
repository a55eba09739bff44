"""The onset curve and its tempo, block by block, against librosa's on the whole."""

from __future__ import annotations

import librosa
import numpy as np
import pytest

from retune.analysis.onset_curve import HOP, RATE_HZ, curve_tempo, onset_curve
from retune.sound.audio import open_audio


@pytest.fixture(scope="module")
def struck(tmp_path_factory):
    """45 s of clicks in noise, 104 a minute, stereo at 44.1 kHz: longer than two blocks."""
    import soundfile

    rng, rate_hz = np.random.default_rng(3), 44100
    sound = 0.001 * rng.standard_normal((45 * rate_hz, 2))
    decay = np.exp(-np.arange(2000) / 200)
    for beat in range(75):
        at = round(beat * 60 / 104 * rate_hz)
        sound[at : at + 2000] += (0.3 * rng.standard_normal(2000) * decay)[:, None]
    path = tmp_path_factory.mktemp("struck") / "clicks.wav"
    soundfile.write(path, sound, rate_hz, subtype="FLOAT")
    return path


def test_blocks_make_the_curve_of_the_whole(struck):
    audio = open_audio(struck)
    mono = audio.read(0, audio.n_samples).mean(axis=1)
    low = librosa.resample(mono, orig_sr=44100, target_sr=RATE_HZ, res_type="soxr_mq")
    whole = librosa.onset.onset_strength(y=low, sr=RATE_HZ, hop_length=HOP)
    ours = onset_curve(audio, longest_s=600.0)
    assert abs(len(ours) - len(whole)) <= 1
    n = min(len(ours), len(whole))
    assert np.abs(ours[:n] - whole[:n]).max() < 0.01 * whole.max()


def test_tempo_is_that_of_the_whole_tempogram(struck):
    curve = onset_curve(open_audio(struck), longest_s=600.0)
    whole = librosa.feature.tempo(onset_envelope=curve, sr=RATE_HZ, hop_length=HOP, start_bpm=100)
    assert curve_tempo(curve, start_bpm=100) == pytest.approx(float(whole[0]))
    assert curve_tempo(curve, start_bpm=100) == pytest.approx(104, rel=0.03)


def test_only_the_beginning_is_heard(struck):
    assert len(onset_curve(open_audio(struck), longest_s=10.0)) == 1 + 10 * RATE_HZ // HOP
