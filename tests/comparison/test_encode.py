"""Encoding for the page: length, lag, rate, equal bytes."""

from __future__ import annotations

import io

import numpy as np
import pytest
import soundfile
from compare_songs import tones
from scipy.signal import chirp

from retune.carriers.errors import UsageError
from retune.comparison.encode import encode_audio, opus_rate_hz


@pytest.mark.parametrize("rate", [16_000, 22_050, 44_100, 48_000])
@pytest.mark.parametrize("fmt", ["flac", "opus"])
def test_no_version_is_shifted(rate: int, fmt: str) -> None:
    sweep = 0.4 * chirp(np.arange(rate) / rate, 150, 1.0, 2500)
    sound = np.stack([sweep, sweep[::-1]], axis=1)
    decoded, stored = soundfile.read(io.BytesIO(encode_audio(sound, rate, fmt)), always_2d=True)
    assert stored == (opus_rate_hz(rate) if fmt == "opus" else rate)
    assert abs(len(decoded) / stored - 1.0) <= 1 / stored
    at = np.arange(len(decoded)) / stored
    reference = np.interp(at, np.arange(rate) / rate, sweep)
    lags = range(-20, 21)
    middle = slice(stored // 4, 3 * stored // 4)
    matches = [np.dot(np.roll(decoded[:, 0], -lag)[middle], reference[middle]) for lag in lags]
    assert lags[int(np.argmax(matches))] == 0


def test_equal_sound_gives_equal_bytes() -> None:
    sound = tones(1, seconds=0.5).samples
    for fmt in ("opus", "flac"):
        assert encode_audio(sound, 48_000, fmt) == encode_audio(sound, 48_000, fmt)


def test_flac_holds_24_bits_exactly_and_clips_beyond() -> None:
    sound = np.array([[0.5], [-0.25], [2.0**-23], [1.5]], dtype=np.float32)
    decoded, _ = soundfile.read(io.BytesIO(encode_audio(sound, 8_000, "flac")))
    assert decoded[:3].tolist() == [0.5, -0.25, 2.0**-23]
    assert decoded[3] == pytest.approx(1.0, abs=1e-6)


def test_long_sound_and_unknown_formats() -> None:
    assert len(encode_audio(np.zeros((300_000, 1), np.float32), 48_000, "opus")) > 100
    with pytest.raises(UsageError, match="give flac or opus"):
        encode_audio(np.zeros((10, 1), np.float32), 48_000, "mp3")
