"""A small song to spoil, and what is looked at before and after a command is run on it."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile

from retune.faces import show
from retune.faces.cli import main

RATE_HZ = 16_000
SONG = """\
format = 1
title = "Lantern Song"
rights = "CC0"
[stems.vocal]
file = "vocal.wav"
role = "melody"
[stems.bass]
file = "bass.wav"
role = "bass"
[music]
key = "C major"
meter = "4/4"
tempo_bpm = 120
first_downbeat_s = 0
chords = "C | G7 | C | C"
phrases = "every 2 bars"
[variants.home]
rules = ["move phrase-ending degree 2 to degree 1"]
"""
RULE = "move phrase-ending degree 2 to degree 1"
VOICE = (
    *((0.1, 1.0, 329.63), (1.0, 2.0, 392.0), (2.0, 3.6, 293.66)),
    *((4.1, 5.0, 329.63), (5.0, 7.6, 261.63)),
)
BASS = ((0.0, 1.9, 65.41), (2.0, 3.9, 98.0), (4.0, 7.8, 65.41))


def tone(spans: tuple[tuple[float, float, float], ...], seconds: float = 8.0) -> np.ndarray:
    """Notes (start_s, end_s, f0_hz) with six partials and soft edges."""
    time_s = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    sound = np.zeros_like(time_s)
    for start_s, end_s, f0_hz in spans:
        edge = np.clip(np.minimum(time_s - start_s, end_s - time_s) / 0.03, 0, 1)
        sound += edge * sum(np.sin(2 * np.pi * f0_hz * k * time_s) / k for k in range(1, 7))
    return 0.15 * sound


def write_song(folder: Path) -> Path:
    """The song in `folder`, its stems written as 16-bit WAV; returns its song file."""
    folder.mkdir(parents=True, exist_ok=True)
    soundfile.write(folder / "vocal.wav", tone(VOICE), RATE_HZ)
    soundfile.write(folder / "bass.wav", tone(BASS), RATE_HZ)
    (folder / "song.toml").write_text(SONG, encoding="utf-8")
    return folder / "song.toml"


def spoiled(old: str, new: str) -> str:
    """The song file with `old` replaced."""
    assert old in SONG
    return SONG.replace(old, new, 1)


def seen(folder: Path) -> dict[str, str]:
    """Every entry below a folder: its kind, and for a file the SHA-256 of its bytes."""
    found = {}
    for path in sorted(folder.rglob("*")):
        name = str(path.relative_to(folder))
        if path.is_symlink():
            found[name] = f"link to {os.readlink(path)}"
        elif path.is_file():
            found[name] = hashlib.sha256(path.read_bytes()).hexdigest()
        else:
            found[name] = "folder" if path.is_dir() else "other"
    return found


@dataclass(frozen=True)
class Answer:
    """What a command said and did."""

    code: int
    out: str
    err: str

    @property
    def refusal(self) -> str:
        """Its one line of error, all that a refusal may print but a rule and its caret."""
        assert self.out == ""
        assert self.err.startswith("retune: error: "), self.err
        line, *below = self.err.splitlines()
        assert all(text.startswith("  ") for text in below), self.err
        assert len(below) in (0, 2), self.err
        assert self.err.endswith("\n")
        assert "Traceback" not in self.err
        assert "error: unexpected" not in self.err, self.err
        return line.removeprefix("retune: error: ")


def run(capsys: pytest.CaptureFixture[str], *words: object) -> Answer:
    """A command in this process; how busy the machine is adds no line of progress."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(show, "LINE_EVERY_S", float("inf"))
        try:
            code = main([str(word) for word in words])
        except SystemExit as stop:
            code = int(stop.code or 0)
    out, err = capsys.readouterr()
    return Answer(code, out, err)


def run_apart(*words: object, before: str = "", **options: object) -> Answer:
    """A command in a process of its own; `before` is Python to run there first."""
    line = f"import sys; {before}\nfrom retune.faces.cli import main\nsys.exit(main(sys.argv[1:]))"
    done = subprocess.run(
        [sys.executable, "-c", line, *map(str, words)],
        capture_output=True,
        timeout=100,
        check=False,
        **options,  # type: ignore[call-overload]
    )
    return Answer(done.returncode, done.stdout.decode(), done.stderr.decode())


def refused(capsys: pytest.CaptureFixture[str], folder: Path, *words: object, code: int = 2) -> str:
    """Run a command that must be refused; nothing below `folder` may change. Returns the line."""
    before = seen(folder)
    answer = run(capsys, *words)
    assert seen(folder) == before
    assert answer.code == code, answer
    return answer.refusal
