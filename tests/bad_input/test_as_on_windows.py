"""The whole job where the system does as Windows does: folders have no descriptors, no open file is
renamed, replaced or removed, locks are msvcrt's, and names differ by more than their case.

Imitated in this process: what another program holds open is not seen by it.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hostile_songs import RULE, run, seen

from retune.carriers.errors import OutputError
from retune.song.songsave import edit_song
from retune.sound import files, folders
from retune.sound.cache import Cache
from retune.sound.files import atomic_write, take_free_name, unfinished_in
from retune.sound.folders import held

SHARING = "The process cannot access the file because it is being used by another process"


def is_open(path: object) -> bool:
    """Whether this process has a descriptor of the file at `path`."""
    for descriptor in os.listdir("/proc/self/fd"):
        try:
            if os.path.samestat(os.fstat(int(descriptor)), os.lstat(str(path))):
                return True
        except OSError:
            continue
    return False


def refusing(plain: Callable[..., Any], n_paths: int) -> Callable[..., Any]:
    """A function of `os` on paths, refused where one of them is open, or held by a descriptor."""

    def act(*given: Any, **options: Any) -> Any:
        if {"dir_fd", "src_dir_fd", "dst_dir_fd"} & set(options):
            raise NotImplementedError("dir_fd unavailable on this platform")
        if any(is_open(path) for path in given[:n_paths]):
            raise PermissionError(13, SHARING, str(given[0]))
        return plain(*given, **options)

    return act


@pytest.fixture
def windows(monkeypatch: pytest.MonkeyPatch) -> None:
    """This process as if on Windows, as far as files go."""
    if sys.platform != "linux":
        pytest.skip("imitates Windows on Linux")
    win32 = SimpleNamespace(platform="win32")
    for module in (files, folders):
        monkeypatch.setattr(module, "sys", win32)
        monkeypatch.setattr(module, "fcntl", None)
    monkeypatch.setattr(folders, "_WALKS", False)
    monkeypatch.setattr(folders, "_NO_LINK", 0)
    monkeypatch.setattr(folders, "_PATIENCE_S", (0.001,))
    locks = SimpleNamespace(LK_NBLCK=1, locking=lambda handle, mode, n_bytes: os.fstat(handle))
    monkeypatch.setitem(sys.modules, "msvcrt", locks)
    monkeypatch.setattr(shutil, "_use_fd_functions", False)
    monkeypatch.setattr(tempfile, "TemporaryFile", tempfile.NamedTemporaryFile)
    plain_open = os.open

    def open_file(path: Any, *rest: Any, **options: Any) -> int:
        if "dir_fd" in options:
            raise NotImplementedError("dir_fd unavailable on this platform")
        if os.path.isdir(path):
            raise PermissionError(13, "Permission denied", str(path))
        return plain_open(path, *rest, **options)

    monkeypatch.setattr(os, "open", open_file)
    for name, n_paths in (("replace", 2), ("rename", 2), ("unlink", 1), ("remove", 1)):
        monkeypatch.setattr(os, name, refusing(getattr(os, name), n_paths))
    return


COMMANDS = (
    ("analyze", "SONG"),
    ("plan", "SONG", "--rule", RULE),
    ("render", "SONG", "--variant", "home", "--out", "OUT", "--control"),
    ("render", "SONG", "--variant", "home", "--out", "OUT", "--control"),
    ("verify", "OUT"),
    ("compare", "SONG", "--variant", "home", "--out", "OUT/page.html"),
    ("compare", "SONG", "--variant", "home", "--out", "OUT/page.html"),
    ("export", "SONG", "--variant", "home", "--format", "csv,midi,musicxml,svg", "--out", "KEEP"),
    ("batch", "SONG", "--out", "MANY", "--report", "STUDY"),
    ("batch", "SONG", "--out", "MANY", "--report", "STUDY", "--resume"),
)


@pytest.mark.slow
def test_the_whole_job(
    windows: None,
    home: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("RETUNE_CACHE", str(tmp_path / "cache of mine"))
    before = seen(home)
    places = {"SONG": home / "song.toml"}
    places |= {name: tmp_path / name.lower() for name in ("OUT", "KEEP", "MANY", "STUDY")}
    places["OUT/page.html"] = tmp_path / "out" / "page.html"
    for words in COMMANDS:
        answer = run(capsys, *(places.get(word, word) for word in words))
        assert answer.code == 0, (words, answer.err)
        assert "nothing is kept" not in answer.err
    assert seen(home) == before
    assert json.loads((tmp_path / "out" / "home" / "manifest.json").read_text("utf-8"))
    assert not [path for path in tmp_path.rglob("*") if ".retune-" in path.name]


def test_a_song_file_is_saved(windows: None, home: Path) -> None:
    song = home / "song.toml"
    editor = edit_song(song)
    editor.set_variant("again", [RULE])
    editor.save()
    assert "[variants.again]" in song.read_text("utf-8")


def test_a_file_that_another_program_has_open_stays_whole_and_is_told(
    windows: None, tmp_path: Path
) -> None:
    path = tmp_path / "page.html"
    path.write_text("old", encoding="utf-8")
    with (
        path.open("rb"),
        pytest.raises(OutputError, match="another program has it open; close it there"),
        atomic_write(path, "w") as stream,
    ):
        stream.write("new")
    assert path.read_text("utf-8") == "old"
    assert [found.name for found in tmp_path.iterdir()] == ["page.html"]


def test_a_scanner_that_holds_a_file_for_a_moment_is_waited_for(
    windows: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    refusals = iter([PermissionError(13, SHARING)] * 2)
    plain = os.replace

    def replace(*paths: Any) -> None:
        for error in refusals:
            raise error
        plain(*paths)

    monkeypatch.setattr(folders, "_PATIENCE_S", (0.001,) * 3)
    monkeypatch.setattr(os, "replace", replace)
    with atomic_write(tmp_path / "page.html", "w") as stream:
        stream.write("new")
    assert (tmp_path / "page.html").read_text("utf-8") == "new"


def test_a_file_that_came_by_the_wire_gets_its_name(windows: None, tmp_path: Path) -> None:
    with held(tmp_path) as folder, unfinished_in(folder, suffix=".wav") as part:
        os.write(part.handle, b"sound")
        part.let_go()
        take_free_name(folder, part.name, "voice.wav")
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {"voice.wav": b"sound"}


def test_an_entry_that_another_process_reads_is_left_and_no_fault(
    windows: None, tmp_path: Path
) -> None:
    cache = Cache(tmp_path)
    cache.put({"a": 1}, {"x": [1.0]})
    (entry,) = tmp_path.glob("*.npz")
    with entry.open("rb"):
        cache.put({"a": 1}, {"x": [1.0]})
    assert cache.warning == ""
    assert list(cache.get({"a": 1}) or {}) == ["x"]
