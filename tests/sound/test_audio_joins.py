"""Recordings appended to each other are told, with the second; one alone never is."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
import soundfile

from retune.carriers.errors import AudioError
from retune.sound.audio import open_audio

KINDS = {
    "ogg": ("OGG", "VORBIS", 22_050),
    "opus": ("OGG", "OPUS", 48_000),
    "mp3": ("MP3", "MPEG_LAYER_III", 22_050),
    "mp3 of MPEG 1": ("MP3", "MPEG_LAYER_III", 44_100),
}


def coded(kind: str, seconds: float, rate_hz: int | None = None) -> bytes:
    form, subtype, usual_hz = KINDS[kind]
    rate_hz = rate_hz or usual_hz
    stream = io.BytesIO()
    sound = 0.3 * np.sin(2 * np.pi * 220 / rate_hz * np.arange(int(seconds * rate_hz)))
    soundfile.write(stream, sound, rate_hz, format=form, subtype=subtype)
    return stream.getvalue()


@pytest.mark.parametrize("other_hz", [None, 48_000])
@pytest.mark.parametrize("kind", KINDS)
def test_two_recordings_in_one_file_are_told(
    kind: str, other_hz: int | None, tmp_path: Path
) -> None:
    path = tmp_path / f"a.{kind[:3]}"
    path.write_bytes(coded(kind, 1.5) + coded(kind, 2.0, other_hz))
    with pytest.raises(AudioError, match=r"the second from 1\.[4-6]\d s"):
        open_audio(path)


@pytest.mark.parametrize("seconds", [0.05, 1.0, 7.3])
@pytest.mark.parametrize("kind", KINDS)
def test_one_recording_is_read_whole(kind: str, seconds: float, tmp_path: Path) -> None:
    path = tmp_path / f"a.{kind[:3]}"
    path.write_bytes(coded(kind, seconds))
    assert abs(open_audio(path).duration_s - seconds) < 0.1


def test_a_frame_without_a_tag_whose_rate_changes_is_told(tmp_path: Path) -> None:
    """As some recorders write it: no frame of Xing's, another rate from the middle on."""
    first, second = coded("mp3", 2.0), coded("mp3", 2.0, 44_100)
    (tmp_path / "a.mp3").write_bytes(first + second.replace(b"Info", b"\0\0\0\0"))
    with pytest.raises(AudioError, match="the second from"):
        open_audio(tmp_path / "a.mp3")
