"""`retune voice`: the voice of a finished mix as a file that a song file may name."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from retune.faces.cli import main
from retune.pipeline import open_song
from retune.pipeline.mix_voice import voice_of

RATE_HZ = 8000


@pytest.fixture
def mix(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two seconds of a tone, as a finished recording in the current folder."""
    monkeypatch.chdir(tmp_path)
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    soundfile.write("mix.wav", 0.2 * np.sin(2 * np.pi * 330 * t), RATE_HZ, subtype="PCM_16")
    return tmp_path / "mix.wav"


def test_the_estimate_is_written_as_heard_and_may_stand_for_it(
    mix: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["voice", "mix.wav", "--out", "voice.wav"]) == 0
    said = capsys.readouterr().err
    assert 'voice = "voice.wav"' in said
    written, rate_hz = soundfile.read("voice.wav", dtype="float32", always_2d=True)
    opened = open_song(mix, mix=True).inputs
    heard = voice_of(opened, next(iter(opened.song.stems)))
    assert rate_hz == RATE_HZ
    assert np.array_equal(written, heard.read())
    assert "not a recording of its own" in soundfile.SoundFile("voice.wav").comment
    Path("song.toml").write_text(
        'format = 1\n[stems.song]\nfile = "mix.wav"\nrole = "mix"\nvoice = "voice.wav"\n'
    )
    assert np.array_equal(voice_of(open_song("song.toml").inputs, "song").read(), written)
    # made again from the song file that names it, it is still the estimate of the mix
    assert main(["voice", "song.toml", "--out", "again.wav", "--quiet"]) == 0
    assert np.array_equal(soundfile.read("again.wav", dtype="float32", always_2d=True)[0], written)


def test_what_it_needs_is_said(mix: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("stems.toml").write_text('format = 1\n[stems.v]\nfile = "mix.wav"\nrole = "melody"\n')
    cases = {
        ("stems.toml",): 'stems.toml has no stem of role "mix"',
        ("mix.wav", "--separator", "demucs"): "allow demucs to fetch it over the network",
        ("mix.wav", "--model", "x"): "--model goes with --separator demucs",
        ("mix.wav", "--fetch"): "--fetch goes with --separator demucs",
    }
    for words, message in cases.items():
        assert main(["voice", *words, "--out", "voice.wav"]) == 2
        assert message in capsys.readouterr().err
    assert not Path("voice.wav").exists()


def test_nobody_elses_file_is_written_over(mix: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("mix.wav", "diary.wav"):
        Path("diary.wav").write_bytes(b"a diary")
        before = Path(name).read_bytes()
        assert main(["voice", "mix.wav", "--out", name]) == 2
        assert name in capsys.readouterr().err
        assert Path(name).read_bytes() == before
