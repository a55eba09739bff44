"""Compiled code that several processes share, damage, or may not keep."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retune.sound.compiled import _share_safely

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
    return tmp_path


@pytest.mark.slow
def test_processes_that_compile_at_once_do_not_mix_code(module: Path, tmp_path: Path) -> None:
    words = [[MIXED, str(k), str(module)] for k in range(4)]
    for _ in range(2):
        assert run_at_once(4, words, tmp_path / "compiled") == [0] * 4


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
def test_librosa_in_eight_processes_on_a_fresh_folder_twenty_times(tmp_path: Path) -> None:
    for turn in range(20):
        assert run_at_once(8, [[LIBROSA]] * 8, tmp_path / str(turn)) == [0] * 8
