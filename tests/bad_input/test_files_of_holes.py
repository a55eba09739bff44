"""A file of holes is as long as somebody likes and takes no room: it is never read to its end."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

import retune
from retune.carriers.errors import InputError, OutputError
from retune.pipeline import write_demo
from retune.pipeline.verification import _changed_files
from retune.sound.files import open_regular, sha256_file

TERABYTE = 1 << 40  # a quarter of an hour, were it read
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no files of holes")


def holes(path: Path, head: bytes = b"") -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    with open(path, "wb") as stream:
        stream.write(head)
        stream.truncate(TERABYTE)
    return path


@pytest.mark.parametrize(
    ("name", "head"),
    [
        ("song.toml", b"format = 1\n"),
        ("song", b""),
        ("v.mp3", b"ID3\x03\0\0\x7f\x7f\x7f\x7f"),
        ("v.flac", b"fLaC"),
        ("v.wav", b""),
    ],
)
def test_a_song_or_a_recording(name: str, head: bytes, tmp_path: Path) -> None:
    with pytest.raises(InputError):
        retune.open(holes(tmp_path / name, head))


@pytest.mark.parametrize(
    ("key", "name"), [("lyrics_file", "w.txt"), ("chords_file", "c.lab"), ("guide", "g.csv")]
)
def test_what_lies_beside_a_song(key: str, name: str, tmp_path: Path) -> None:
    from retune.sound.audio import write_wav

    write_wav(tmp_path / "v.wav", [[[0.0]] * 9000], rate_hz=8000, n_channels=1, subtype="PCM_16")
    holes(tmp_path / name)
    (tmp_path / "song.toml").write_text(
        f'format = 1\n[stems.v]\nfile = "v.wav"\nrole = "mix"\n[music]\n{key} = "{name}"\n'
    )
    with pytest.raises(InputError):
        _ = retune.open(tmp_path / "song.toml").analyze()


def test_what_was_rendered_before(tmp_path: Path) -> None:
    path = holes(tmp_path / "mix.wav", b"RIFF")
    with pytest.raises(OSError, match="six hours"):
        sha256_file(path)
    with pytest.raises(OSError, match="six hours"), open_regular(path):
        pass
    assert _changed_files(tmp_path, {"mix.wav": "0" * 64}) == [
        "mix.wav is not the file that was written"
    ]


@pytest.mark.parametrize("name", ["vocal.flac", "README.txt"])
def test_a_file_in_the_place_of_the_demos(name: str, tmp_path: Path) -> None:
    holes(tmp_path / "lantern-song" / name)
    with pytest.raises(OutputError, match="not the demo's"):
        write_demo(tmp_path / "lantern-song")
