"""What is kept between runs: found again, bounded, and never trusted when damaged."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from retune.carriers.changes import Edit, Plan
from retune.sound.cache import Cache, content_key

KEY = {"audio": "ab" * 32, "tracker": "pyin", "range": [65.0, 1200.0]}


def entries(folder: Path) -> list[Path]:
    return sorted(folder.glob("*.npz"))


def test_arrays_come_back_as_they_were(tmp_path: Path) -> None:
    cache = Cache(tmp_path)
    assert cache.get(KEY) is None
    arrays = {
        "f0_hz": np.array([np.nan, 440.0]),
        "samples": np.arange(6, dtype=np.float32).reshape(3, 2),
        "warnings": np.array(["stem vocal is clipped", "é"]),
        "none": np.array([], dtype=np.str_),
    }
    cache.put(KEY, arrays)
    found = Cache(tmp_path).get(KEY)
    assert found is not None
    assert set(found) == set(arrays)
    for name, array in arrays.items():
        assert found[name].dtype == array.dtype
        np.testing.assert_array_equal(found[name], array)


def test_a_carrier_comes_back(tmp_path: Path) -> None:
    cache = Cache(tmp_path)
    plan = Plan((Edit("vocal", 1.0, 2.5, -200.0, "é"),), rules=("é",))
    cache.put_value(KEY, plan)
    assert cache.get_value(KEY, Plan) == plan
    assert cache.get_value({**KEY, "tracker": "librosa"}, Plan) is None
    assert cache.get_value(KEY, Edit) is None
    cache.put(KEY, {"f0_hz": np.zeros(3)})
    assert cache.get_value(KEY, Plan) is None


@given(st.dictionaries(st.text(max_size=5), st.integers() | st.floats(allow_nan=False), max_size=4))
@settings(max_examples=50, deadline=None)
def test_the_key_depends_on_content_not_on_order(parts: dict[str, float]) -> None:
    if any(value in (float("inf"), float("-inf")) for value in parts.values()):
        with pytest.raises(ValueError, match="JSON"):
            content_key(parts)
        return
    assert content_key(parts) == content_key(dict(reversed(parts.items())))
    assert content_key(parts) != content_key({**parts, "another": 1})
    assert len(content_key(parts)) == 64


@pytest.mark.parametrize("damage", ["cut", "flip", "empty", "text", "pickle"])
def test_a_damaged_entry_is_a_miss_and_goes(tmp_path: Path, damage: str) -> None:
    cache = Cache(tmp_path)
    cache.put(KEY, {"a": np.arange(1000.0)})
    (path,) = entries(tmp_path)
    data = bytearray(path.read_bytes())
    if damage == "flip":
        data[len(data) // 2] ^= 1
    path.write_bytes(
        {"cut": data[:500], "flip": data, "empty": b"", "text": b"hello"}.get(damage, b"")
    )
    if damage == "pickle":
        with open(path, "wb") as stream:
            np.savez(stream, a=np.array([{"x": 1}], dtype=object))
    assert cache.get(KEY) is None
    assert entries(tmp_path) == []


def test_objects_are_not_stored(tmp_path: Path) -> None:
    with pytest.raises(TypeError, match="not objects"):
        Cache(tmp_path).put(KEY, {"a": np.array([None])})
    assert os.listdir(tmp_path) == []


def test_what_was_unused_longest_goes_first(tmp_path: Path) -> None:
    cache = Cache(tmp_path, max_bytes=3_000_000)
    for number in range(3):
        cache.put({"n": number}, {"a": np.zeros(100_000)})
        os.utime(cache._path({"n": number}), (1000 + number, 1000 + number))
    assert cache.get({"n": 0}) is not None  # used now, hence the youngest
    cache.put({"n": 3}, {"a": np.zeros(100_000)})
    assert [cache.get({"n": number}) is not None for number in range(4)] == [
        True,
        False,
        True,
        True,
    ]


def test_an_entry_larger_than_the_cache_is_kept_until_the_next(tmp_path: Path) -> None:
    cache = Cache(tmp_path, max_bytes=1000)
    cache.put({"n": 0}, {"a": np.zeros(1000)})
    cache.put({"n": 1}, {"a": np.zeros(1000)})
    assert len(entries(tmp_path)) == 1
    assert cache.get({"n": 1}) is not None


def test_a_folder_that_cannot_be_made_is_one_warning(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    cache = Cache(tmp_path / "file" / "cache")
    assert "nothing is kept between runs" in cache.warning
    cache.put(KEY, {"a": np.zeros(3)})
    assert cache.get(KEY) is None


def test_a_disk_that_fills_up_is_one_warning(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cache = Cache(tmp_path)
    monkeypatch.setattr(os, "replace", lambda *_: (_ for _ in ()).throw(OSError(28, "No space")))
    cache.put(KEY, {"a": np.zeros(3)})
    assert "No space" in cache.warning
    assert os.listdir(tmp_path) == []


def test_the_environment_moves_the_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RETUNE_CACHE", str(tmp_path / "here"))
    assert Cache().folder == tmp_path / "here"
    monkeypatch.delenv("RETUNE_CACHE")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "xdg"))
    monkeypatch.setenv("HOME", str(tmp_path))
    assert Cache().folder.is_relative_to(tmp_path)


def test_two_processes_may_share_it(tmp_path: Path) -> None:
    program = (
        "import sys, numpy as np\n"
        "from retune.sound.cache import Cache\n"
        "cache = Cache(sys.argv[1], max_bytes=200_000)\n"
        "for n in range(150):\n"
        "    cache.put({'n': n % 7}, {'a': np.full(5000, n % 7)})\n"
        "    found = cache.get({'n': (n + 3) % 7})\n"
        "    assert found is None or (found['a'] == (n + 3) % 7).all()\n"
        "assert not cache.warning, cache.warning\n"
    )
    runs = [subprocess.Popen([sys.executable, "-c", program, str(tmp_path)]) for _ in range(2)]
    assert [run.wait(timeout=60) for run in runs] == [0, 0]
    assert not list(tmp_path.glob(".*"))


def test_what_others_keep_in_its_folder_stays(tmp_path: Path) -> None:
    np.savez(tmp_path / "mine.npz", a=np.arange(3))
    cache = Cache(tmp_path, max_bytes=1)
    cache.put({"k": 1}, {"a": np.zeros(9)})
    cache.put({"k": 2}, {"a": np.zeros(9)})
    assert (tmp_path / "mine.npz").is_file()
    assert len(list(tmp_path.iterdir())) == 2


def test_a_folder_that_is_a_link(tmp_path: Path) -> None:
    """As where a user's cache lies on another disk."""
    (tmp_path / "disk").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "disk")
    for folder in (tmp_path / "link", tmp_path / "link" / "below"):
        cache = Cache(folder)
        cache.put({"k": 1}, {"a": np.arange(3)})
        assert cache.warning == ""
        assert Cache(folder).get({"k": 1}) is not None
