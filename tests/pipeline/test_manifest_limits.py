"""A record of ours that somebody else sends takes no more memory than a song does."""

from __future__ import annotations

import json
import tracemalloc
from pathlib import Path

import pytest

from retune.carriers.errors import InputError
from retune.pipeline import manifest, verification
from retune.pipeline.manifest import kept_json, read_manifest

MANY = 2_000_000
HOSTILE = {
    "empty lists": "[" + "[]," * MANY + "[]]",
    "objects": "[" + '{"a":1},' * MANY + "1]",
    "numbers": "[" + "1.5," * MANY + "1]",
    "keys": "{" + ",".join(f'"{n}":0' for n in range(1_100_000)) + "}",
    "one text": '"' + "x" * 21_000_000 + '"',
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_record_of_more_than_any_song_is_not_read(name: str, tmp_path: Path) -> None:
    path = tmp_path / "manifest.json"
    path.write_text(HOSTILE[name], encoding="utf-8")
    tracemalloc.start()
    try:
        assert kept_json(path) is None
        with pytest.raises(InputError, match=r"render again|larger than 20 MB"):
            read_manifest(path)
        assert tracemalloc.get_traced_memory()[1] < 100_000_000
    finally:
        tracemalloc.stop()


def test_the_manifest_of_the_longest_song_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fifty thousand moved notes, here in small: limits and notes by the same part."""
    edit = {f"field {n}": "some words" for n in range(13)} | {"start_s": 1.25}
    told = {"retune": "1.0", "outputs": {}, "edits": [edit] * 50}
    path = tmp_path / "manifest.json"
    path.write_text(json.dumps(told, indent=1), encoding="utf-8")
    monkeypatch.setattr(manifest, "_MOST_VALUES", manifest._MOST_VALUES // 1000)
    assert (
        kept_json(path, max_bytes=manifest.MAX_BYTES // 1000) == told
    )  # 381 bytes an edit, as in a song


def test_no_more_files_are_hashed_than_a_version_has(tmp_path: Path) -> None:
    """One large file may be named in many ways."""
    path = tmp_path / "manifest.json"
    outputs = {"./" * number + "mix.wav": "0" for number in range(2000)}
    told = {
        "format": 1,
        "retune": "1.0",
        "variant": "home",
        "song": {},
        "inputs": {},
        "outputs": outputs,
        "edits": [],
        "rules": [],
        "engine": "auto",
        "tracker": "pyin",
    }
    path.write_text(json.dumps(told), encoding="utf-8")
    with pytest.raises(InputError, match="names more than 1000 files"):
        read_manifest(path)
    assert not manifest.are_hashes(outputs)


@pytest.mark.parametrize("name", ["./mix.wav", "a//mix.wav", "a/./mix.wav", "../x", "/x", "a\\x"])
def test_a_file_has_one_name(name: str) -> None:
    assert not manifest.are_hashes({"mix.wav": "0", name: "0"})
    assert manifest.are_hashes({"mix.wav": "0", "stems/mix.wav": "0"})


def test_a_name_that_no_file_has_is_missing(tmp_path: Path) -> None:
    name = "x" * 5_000
    assert verification._changed_files(tmp_path, {name: "0" * 64}) == [f"{name} is missing"]
    assert verification._changed_originals(tmp_path / "home", {name: "0" * 64}) == []
