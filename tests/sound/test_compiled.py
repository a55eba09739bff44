"""Compiled code that several processes share, damage, or may not keep."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retune.sound.compiled import _share_safely, compiled, prepare

# One function, called with other types by each process: what numba's own numbering mixes up.
MIXED = """
import sys
from retune.sound.compiled import prepare
prepare()
import numpy as np
sys.path.insert(0, sys.argv[2])
import shared
kind = [np.float64, np.float32, np.int64, np.int32][int(sys.argv[1]) % 4]
values = np.arange(5).astype(kind)
assert shared.twice(values).tolist() == [0, 2, 4, 6, 8]
assert shared.twice(values).dtype == kind
"""
MODULE = """
import numba
@numba.njit(cache=True)
def twice(values):
    return values + values
"""
# As a library compiles a loop round a function of arrays; the argument shifts the numbers in names.
LOOP = """
import sys
from retune.sound.compiled import prepare
prepare()
import numba
import numpy as np
for k in range(int(sys.argv[1])):
    numba.njit(lambda value: value + 1)(1)
sys.path.insert(0, sys.argv[2])
import looped
assert looped.twice(np.arange(5.0)).tolist() == [0, 2, 4, 6, 8]
"""
LOOPED = """
import numba
@numba.guvectorize(["void(float64[:], float64[:])"], "(n)->(n)", cache=True, nopython=True)
def twice(values, out):
    for k in range(len(values)):
        out[k] = 2 * values[k]
"""
LIBROSA = """
import numpy as np
from retune.carriers.heard import Audio
from retune.track.librosa_pyin import LibrosaPyin
t = np.arange(22050) / 22050
audio = Audio(np.sin(2 * np.pi * 220 * t).astype(np.float32)[:, None], 22050)
f0_hz = LibrosaPyin().track(audio, fmin_hz=100.0, fmax_hz=400.0).f0_hz
assert abs(np.nanmedian(f0_hz) - 220) < 3
"""


def run_at_once(count: int, words: list[list[str]], folder: Path) -> list[int]:
    """The codes of so many processes begun together on one folder of compiled code."""
    environment = {**os.environ, "NUMBA_CACHE_DIR": str(folder)}
    running = [
        subprocess.Popen([sys.executable, "-c", *words[k]], env=environment) for k in range(count)
    ]
    return [process.wait() for process in running]


@pytest.fixture
def module(tmp_path: Path) -> Path:
    (tmp_path / "shared.py").write_text(MODULE)
    (tmp_path / "looped.py").write_text(LOOPED)
    return tmp_path


@pytest.mark.slow
def test_processes_that_compile_at_once_do_not_mix_code(module: Path, tmp_path: Path) -> None:
    words = [[MIXED, str(k), str(module)] for k in range(4)]
    for _ in range(2):
        assert run_at_once(4, words, tmp_path / "compiled") == [0] * 4


@pytest.mark.slow
def test_a_loop_kept_by_a_process_that_numbers_otherwise_is_not_called(
    module: Path, tmp_path: Path
) -> None:
    """The function's own code is lost and compiled again under another number: the loop that was
    kept looks for the first one."""
    folder = tmp_path / "compiled"
    assert run_at_once(1, [[LOOP, "0", str(module)]], folder) == [0]
    lost = list(folder.rglob("looped.twice*"))
    assert lost
    for path in lost:
        path.unlink()
    for shift in ("1", "0", "2"):
        assert run_at_once(1, [[LOOP, shift, str(module)]], folder) == [0]


@pytest.mark.slow
def test_loops_that_processes_compile_at_once_are_not_mixed(module: Path, tmp_path: Path) -> None:
    words = [[LOOP, str(k), str(module)] for k in range(4)]
    for turn in range(2):
        assert run_at_once(4, words, tmp_path / str(turn)) == [0] * 4


def keeper(folder: Path, stamp: int = 1) -> Any:
    """What keeps the code of one function, as each process has one."""
    from numba.core import caching

    assert _share_safely()
    return caching.IndexDataCacheFile(str(folder), "function", stamp)


@given(
    steps=st.lists(st.tuples(st.integers(0, 2), st.sampled_from("abcd"), st.integers(1, 2))),
    stale=st.lists(st.integers(0, 2), max_size=3),
)
def test_no_order_of_steps_gives_one_signature_the_code_of_another(
    steps: list[tuple[int, str, int]], stale: list[int]
) -> None:
    """Three processes that save in any order, some with an index read long ago, of two states of
    the source: what is found is always the code of the very signature and state."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        old = {k: keeper(folder)._load_index() for k in stale}
        for process, key, stamp in steps:
            own = keeper(folder, stamp)
            found = own.load((key,))
            assert found in (None, (key, stamp))
            if process in old:
                own._load_index = lambda before=old[process]: dict(before)
            own.save((key,), (key, stamp))
            assert keeper(folder, stamp).load((key,)) in (None, (key, stamp))
        if steps:
            assert keeper(folder, steps[-1][2]).load((steps[-1][1],)) is not None


def test_damaged_code_is_compiled_again(tmp_path: Path) -> None:
    keeper(tmp_path).save("key", ["code"] * 50)
    (code,) = tmp_path.glob("*.nbc")
    (index,) = tmp_path.glob("*.nbi")
    for path in (code, index):
        whole = path.read_bytes()
        for damaged in (whole[:-9], whole[:50] + b"\xff" + whole[51:], b"", os.urandom(500)):
            path.write_bytes(damaged)
            assert keeper(tmp_path).load("key") is None or path == index
            keeper(tmp_path).save("key", ["code"] * 50)
            assert keeper(tmp_path).load("key") == ["code"] * 50


@pytest.mark.skipif(os.name == "nt", reason="owners of POSIX")
def test_code_in_a_folder_of_somebody_else_is_not_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from retune.sound import compiled

    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    own = compiled._own_for_this_user()
    assert own == compiled._own_for_this_user()
    own.chmod(0o777)
    assert compiled._own_for_this_user() != own
    own.rmdir()
    own.symlink_to(tmp_path)
    assert compiled._own_for_this_user() != own


@pytest.mark.slow
def test_librosa_in_several_processes_on_a_fresh_folder(tmp_path: Path) -> None:
    """Two processes compile at once what no test before has, or half of it; eight of them all of
    it, twenty times, with RETUNE_LIBROSA_RUNS="8x20"."""
    wanted = os.environ.get("RETUNE_LIBROSA_RUNS")
    count, turns = map(int, (wanted or "2x1").split("x"))
    for turn in range(turns):
        folder = tmp_path / str(turn)
        for half in (
            () if wanted else Path(os.environ.get("NUMBA_CACHE_DIR", tmp_path)).glob("util_*")
        ):
            shutil.copytree(half, folder / half.name)
        assert run_at_once(count, [[LIBROSA]] * count, folder) == [0] * count


def test_code_that_finds_no_room_is_compiled_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    prepare()
    from numba.core import caching

    kept = caching.IndexDataCacheFile(str(tmp_path), "a", ("stamp", 1))

    def full(*given: object) -> None:
        raise OSError(errno.ENOSPC, "the disk is full")

    monkeypatch.setattr(kept, "_save_data", full)
    kept.save(("key",), b"code")
    assert kept.load(("key",)) is None


def test_code_that_has_no_folder_is_compiled_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    import numba

    plain = numba.njit

    def no_locator(*given: Any, **options: Any) -> Any:
        if options.get("cache"):
            raise RuntimeError("cannot cache function: no locator available")
        return plain(*given, **options)

    monkeypatch.setattr(numba, "njit", no_locator)
    assert compiled(lambda x: x + 1)(1) == 2


def test_an_installation_that_cannot_be_written_to_keeps_its_code_with_the_user(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import numba

    from retune.sound import compiled

    monkeypatch.setattr(numba.config, "CACHE_DIR", numba.config.CACHE_DIR)
    monkeypatch.setenv("NUMBA_CACHE_DIR", "")
    monkeypatch.setattr(compiled, "user_folder", lambda: tmp_path)
    monkeypatch.setattr(compiled, "is_writable", lambda folder: folder.name != "__pycache__")
    assert compiled.prepare.__wrapped__() == tmp_path / "compiled"
    assert numba.config.CACHE_DIR == os.environ["NUMBA_CACHE_DIR"] == str(tmp_path / "compiled")
