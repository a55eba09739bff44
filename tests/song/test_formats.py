"""Files of every format there has been still open; newer ones are refused with the way out."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
import tomlkit

import retune
from retune.carriers.errors import InputError, SongFileError
from retune.pipeline.manifest import read_manifest, song_from_facts
from retune.rules import parse_rule
from retune.song import history
from retune.song.history import heard_otherwise, parts
from retune.song.songfile import parse_song, read_song, read_variants
from retune.song.songschema import CORRECTION, FORMAT, MUSIC, SONG, STEM, VARIANT

FORMATS = Path(__file__).parent / "formats"
NAMES = sorted(path.name for path in FORMATS.iterdir())
SOUNDS = ["vocal", "alto", "tenor", "bass", "band", "harp", "double", "brushes", "voice"]
CHANGES = (("1.1.0", "onsets lie later"), ("1.10.0", "repeats are parted"), ("2.0.0", "a new key"))


@pytest.fixture
def folder(tmp_path: Path, request: pytest.FixtureRequest) -> Path:
    """The files of one format beside the (empty) files that they name."""
    for path in (FORMATS / request.param).iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    for name in SOUNDS:
        (tmp_path / f"{name}.flac").touch()
    (tmp_path / "melody.csv").write_text("start_s,end_s,pitch\n1,2,C4\n")
    (tmp_path / "x.lab").write_text("0 1 C\n")
    # One track: 3/4 and 500 000 microseconds a quarter.
    track = bytes.fromhex("00ff580403021808 00ff510307a120 00ff2f00")
    size = len(track).to_bytes(4, "big")
    head = b"MThd" + bytes.fromhex("00000006 0000 0001 0060")
    (tmp_path / "band.mid").write_bytes(head + b"MTrk" + size + track)
    (tmp_path / "words.lrc").write_text("[00:01.00]lan-tern\n")
    return tmp_path


every_format = pytest.mark.parametrize("folder", NAMES, indirect=True)


def test_there_are_files_of_every_format() -> None:
    assert [str(number) for number in range(1, FORMAT + 1)] == NAMES


@every_format
def test_song_files_open(folder: Path) -> None:
    song = read_song(folder / "song.toml")
    assert (song.title, song.passage) == ("Lantern Song", ("0.5", "60.0"))
    assert list(song.stems) == SOUNDS[:-1]
    follow = [song.stems[name].follow for name in ("alto", "tenor", "vocal")]
    assert follow == ["scale steps", "semitones", "keep"]
    assert song.music.tempo_bpm == 92.0
    assert [row.set for row in song.corrections] == ["pitch F4", "no voice to 24.5"]
    for rule in song.variants["home-early"].rules:
        parse_rule(rule, stems=tuple(song.stems))
    assert read_song(folder / "other.toml").music.downbeats_s == (1.3, 3.2, 5.3)
    assert song.music.meters == (("17:1", "4/4"),)
    assert song.music.tempos == (("17:1", 96.5),)
    assert read_song(folder / "mapped.toml").music.tempo_map == folder / "band.mid"
    assert list(read_variants(folder / "variants.toml")) == ["mirror"]


def test_the_files_of_this_format_hold_every_key_there_is() -> None:
    keys = set()
    for path in (FORMATS / str(FORMAT)).glob("*.toml"):
        keys |= _keys(tomlkit.parse(path.read_text(encoding="utf-8")).unwrap())
    assert {*SONG, *STEM, *MUSIC, *VARIANT, *CORRECTION} <= keys


def _keys(value: Any) -> set[str]:
    if isinstance(value, Mapping):
        return {*value, *(key for inner in value.values() for key in _keys(inner))}
    if isinstance(value, list):
        return {key for inner in value for key in _keys(inner)}
    return set()


@every_format
def test_manifests_read(folder: Path) -> None:
    manifest = read_manifest(folder / "manifest.json")
    (folder / "vocal.wav").touch()
    for name in manifest["inputs"]:
        (folder / f"{name}.wav").touch()
    song = song_from_facts(manifest["song"], folder=folder, source=folder / "manifest.json")
    assert (song.title, manifest["variant"]) == ("Lantern Song", "home-early")
    assert set(song.stems) == {"vocal", "bass", "harp", "brushes"}
    assert len(manifest["edits"]) == 2


def test_a_newer_format_is_refused_before_its_unknown_keys(tmp_path: Path) -> None:
    text = 'colour = "blue"\nformat = 3\n'
    with pytest.raises(SongFileError, match=r"line 2: format: 3 is newer .* retune 3\.0 and later"):
        parse_song(text, path=tmp_path / "song.toml")
    (tmp_path / "v.toml").write_text('format = 2\n[takes]\nfile = "x"\n')
    with pytest.raises(SongFileError, match=r"retune 2\.0 and later read it"):
        read_variants(tmp_path / "v.toml")
    path = tmp_path / "manifest.json"
    path.write_text(json.dumps({"format": 2, "outputs": ["new", "kind"]}))
    with pytest.raises(InputError, match=r"2 is newer than this retune.* retune 2\.0 and later"):
        read_manifest(path)


@pytest.mark.parametrize("given", ["1", "v1.0", "one", "1.0.0.0.0", "1.0-beta"])
def test_heard_with_is_a_version(given: str, tmp_path: Path) -> None:
    with pytest.raises(SongFileError, match="is no version"):
        parse_song(f'format = 1\nheard_with = "{given}"\n[stems]\n', path=tmp_path / "song.toml")


@pytest.mark.parametrize(
    ("then", "now", "told"),
    [
        ("1.0.0", "1.0.5", []),
        ("1.0.0", "1.1", ["onsets"]),
        ("1.0.0", "1.10.2", ["onsets", "repeats"]),
        ("1.9.0", "2.0.0", ["repeats", "key"]),
        ("1.1.0", "1.1.0", []),
        ("2.0.0", "1.1.0", ["newer"]),
    ],
)
def test_what_is_heard_otherwise(
    then: str, now: str, told: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(history, "HEARING", CHANGES)
    found = heard_otherwise(then, now)
    assert len(found) == len(told)
    assert all(word in line for word, line in zip(told, found, strict=True))


def test_versions_compare_as_numbers() -> None:
    assert parts("1.0") == parts("1.0.0") < parts("1.9.1") < parts("1.10")
    assert parts("0.1.0.dev3") == (0, 1)
    assert parts("9" * 100_000) > parts("1.0")
    assert all(history.VERSION.fullmatch(version) for version, _ in history.HEARING)


def test_opening_an_older_song_tells_what_is_heard_otherwise(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(history, "HEARING", (("0.0.9", "onsets lie later"),))
    time_s = np.arange(44100) / 44100
    soundfile.write(tmp_path / "vocal.flac", 0.3 * np.sin(2 * np.pi * 220 * time_s), 44100)
    path = tmp_path / "song.toml"
    stem = '[stems.vocal]\nfile = "vocal.flac"\nrole = "melody"\n'
    path.write_text(f"format = 1\n{stem}")
    assert not [line for line in retune.open(path).analysis.warnings if "onsets" in line]
    path.write_text(f'format = 1\nheard_with = "0.0.1"\n{stem}')
    told = [line for line in retune.open(path).analysis.warnings if "onsets" in line]
    assert told == ["worked on with retune 0.0.1; since retune 0.0.9: onsets lie later"]
