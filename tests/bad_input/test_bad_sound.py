# ruff: noqa: E501 (a case a line)
"""Stems that cannot be used: one line that names the file, what is wrong with it and the fix."""

from __future__ import annotations

import os
import re
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from hostile_songs import RATE_HZ, VOICE, refused, run, spoiled, tone

Make = Callable[[Path], Any]


def sound(path: Path, samples: np.ndarray, rate_hz: int = RATE_HZ, **how: Any) -> None:
    path.unlink(missing_ok=True)
    soundfile.write(path, samples, rate_hz, **{"format": "WAV", **how})


def cut(path: Path, **how: Any) -> None:
    sound(path, tone(VOICE), **how)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])


def with_sample(path: Path, value: float) -> None:
    samples = tone(VOICE)
    samples[RATE_HZ] = value
    sound(path, samples, subtype="FLOAT")


def day_long_header(path: Path) -> None:
    data = bytearray(path.read_bytes())
    at = data.index(b"data")
    data[at + 4 : at + 8] = struct.pack("<I", RATE_HZ * 2 * 86_400)
    path.write_bytes(data)


def replaced(path: Path, make: Make) -> None:
    path.unlink()
    make(path)


def words_of_a_program(path: Path) -> None:
    path.write_bytes(b"\x7fELF\x02\x01\x01" + bytes(range(256)) * 4)


CASES: dict[str, tuple[Make, str]] = {
    "missing": (os.unlink, '"vocal.wav" does not exist; check the name (it counts from the song file)'),
    "empty": (lambda p: p.write_bytes(b""), "vocal.wav is empty; export it again"),
    "a folder": (lambda p: replaced(p, os.mkdir), '"vocal.wav" is a folder; name a file'),
    "a pipe": (lambda p: replaced(p, os.mkfifo), '"vocal.wav" is not a regular file; name a file'),
    "a device": (lambda p: replaced(p, lambda q: os.symlink("/dev/zero", q)), "leads out of the song's folder; move the file into it"),
    "a link to itself": (lambda p: replaced(p, lambda q: os.symlink(q.name, q)), "cannot be followed; is it a loop of links?"),
    "no permission": (lambda p: p.chmod(0), "cannot be read (Permission denied); check its permissions"),
    "truncated WAV": (cut, "vocal.wav is cut off: its header promises"),
    "truncated FLAC": (lambda p: cut(p, format="FLAC"), "vocal.wav is damaged or cut off"),
    "truncated MP3": (lambda p: cut(p, format="MP3"), "vocal.wav is cut off: it holds"),
    "header alone": (lambda p: p.write_bytes(p.read_bytes()[:40]), "vocal.wav is damaged or not WAV, FLAC, OGG, MP3 or AIFF; export it again"),
    "a day in the header": (day_long_header, "more bytes; export or copy it again"),
    "text, renamed": (lambda p: p.write_text("la la la\n" * 99), "vocal.wav is not a sound file; convert it to WAV or FLAC"),
    "a program, renamed": (words_of_a_program, "vocal.wav is not a sound file; convert it to WAV or FLAC"),
    "MP4, renamed": (lambda p: p.write_bytes(b"\0\0\0 ftypM4A " + bytes(99)), "vocal.wav is damaged or cut off; export or copy it again"),
    "ZIP, renamed": (lambda p: p.write_bytes(b"PK\3\4" + bytes(99)), "vocal.wav is ZIP, which is not read; convert"),
    "NUL bytes": (lambda p: p.write_bytes(bytes(4096)), "vocal.wav is not a sound file; convert"),
    "0 samples": (lambda p: sound(p, np.zeros(0)), "vocal.wav holds no samples; export it again"),
    "8 channels": (lambda p: sound(p, np.tile(tone(VOICE)[:, None], (1, 8))), "vocal.wav has 8 channels; export it as mono or stereo"),
    "NaN": (lambda p: with_sample(p, np.nan), "vocal.wav holds NaN or infinity at 1.000 s; export it again"),
    "infinity": (lambda p: with_sample(p, -np.inf), "vocal.wav holds NaN or infinity at 1.000 s; export it again"),
    "a rate of 1 Hz": (lambda p: sound(p, tone(VOICE), 1), "vocal.wav has a rate of 1 Hz; allowed are 8000 to 192000 Hz: convert it"),
    "another rate": (lambda p: sound(p, tone(VOICE), 22_050), "stem vocal has 22050 Hz but stem bass has 16000 Hz; convert them to one rate"),
    "a telephone codec": (lambda p: sound(p, tone(VOICE), 8_000, subtype="GSM610"), "vocal.wav is coded as GSM610, which is not read; convert it to PCM"),
}  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_a_stem_that_cannot_be_used(
    case: str, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    make, message = CASES[case]
    if case == "no permission" and os.access("/", os.W_OK):
        pytest.skip("this user may read everything: see the test with another user")
    make(home / "vocal.wav")
    said = refused(capsys, home.parent, "analyze", home / "song.toml", "--no-cache")
    assert message in said
    assert "vocal" in said


BARE: dict[str, tuple[Make, str]] = {
    "missing": (os.unlink, "vocal.wav does not exist; give a song file (song.toml) or a recording"),
    "empty": (lambda p: p.write_bytes(b""), "vocal.wav is empty; export it again"),
    "a folder": (lambda p: replaced(p, os.mkdir), "vocal.wav is a folder; give a song file"),
    "a link to itself": (lambda p: replaced(p, lambda q: os.symlink(q.name, q)), "vocal.wav is a link that leads to no file; give a song file"),
    "truncated": (cut, "vocal.wav is cut off"),
    "not sound": (words_of_a_program, "vocal.wav is not a sound file"),
    "0 samples": (lambda p: sound(p, np.zeros(0)), "vocal.wav holds no samples"),
    "NaN": (lambda p: with_sample(p, np.nan), "vocal.wav holds NaN"),
}  # fmt: skip


@pytest.mark.parametrize("case", BARE)
def test_a_bare_recording_that_cannot_be_used(
    case: str, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    make, message = BARE[case]
    make(home / "vocal.wav")
    said = refused(capsys, home.parent, "plan", home / "vocal.wav", "--rule", "keep highest note")
    assert message in said


@pytest.mark.parametrize("n_samples", [1, 2, 100, RATE_HZ // 10])
def test_a_sound_too_short_for_a_note_is_heard_as_nothing(
    n_samples: int, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sound(home / "short.wav", tone(VOICE)[2000 : 2000 + n_samples])
    answer = run(capsys, "analyze", home / "short.wav", "--no-cache")
    assert answer.code == 0
    assert "retune: error" not in answer.err
    assert "Traceback" not in answer.err


def test_every_stem_is_looked_at_not_the_first_alone(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    cut(home / "bass.wav")
    assert "bass.wav is cut off" in refused(
        capsys, home.parent, "render", home / "song.toml", "--all", "--out", home.parent / "out"
    )


def test_a_name_that_is_sound_but_a_song_file_inside(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (home / "song.toml").rename(home / "song.wav")
    assert "song.wav is not a sound file" in refused(
        capsys, home.parent, "analyze", home / "song.wav"
    )


def test_a_song_file_that_is_a_recording(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (home / "vocal.wav").rename(home / "song.toml")
    said = refused(capsys, home.parent, "analyze", home / "song.toml")
    assert re.search(r"song\.toml, line 1: a NUL byte; this is not a text file; give", said)


def test_a_wrong_role_is_named(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (home / "song.toml").write_text(spoiled('role = "bass"', 'role = "lead"'))
    assert 'song.toml, line 9: stems.bass.role: "lead" is not known; use "melody"' in refused(
        capsys, home.parent, "analyze", home / "song.toml"
    )
