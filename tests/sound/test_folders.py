"""Whatever links a folder holds, nothing outside it is written, moved or removed."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retune.carriers.errors import OutputError, UsageError
from retune.sound.files import atomic_write, clear_unfinished, copy_file
from retune.sound.folders import (
    locked_file,
    make_folder,
    named_file,
    named_folder,
    place_in,
    sole_writer,
)

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="links need a right on Windows")

NAMES = ("a", "b", "c")
LEFTOVER = ".retune-0123456789abcdef.tmp"
PLACES = st.lists(st.sampled_from(NAMES), min_size=1, max_size=3).map("/".join)
TARGETS = st.sampled_from(
    ("mine", "mine/diary.txt", "../mine", "../mine/diary.txt", "../../mine", "a", "../b", ".", "..")
)
THINGS = st.one_of(
    st.just(("folder", "")),
    st.just(("file", "")),
    TARGETS.map(lambda target: ("link", target)),
    TARGETS.map(lambda target: ("absolute link", target)),
)
TREES = st.dictionaries(PLACES, THINGS, max_size=8)


def grow(received: Path, tree: dict[str, tuple[str, str]]) -> None:
    """Make a received folder, as an archive would be unpacked: what does not fit is left out."""
    for place, (kind, target) in tree.items():
        path = received / place
        try:
            make_folder(path.parent)
            if kind == "folder":
                path.mkdir()
                (path / LEFTOVER).write_text("left")
            elif kind == "file":
                path.write_text("old")
            else:
                outside = received.parent / target.replace("../", "")
                os.symlink(outside if kind.startswith("absolute") else target, path)
        except (OSError, OutputError):
            continue


def contents(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


def write(path: Path) -> None:
    make_folder(path.parent)
    with atomic_write(path, "w") as stream:
        stream.write("new")


def write_new(path: Path) -> None:
    with atomic_write(path, "w", in_place_of_others=False) as stream:
        stream.write("new")


def outcome(act: Callable[[Path], None], path: Path) -> str:
    """What an act was refused with, "" if it was not."""
    try:
        act(path)
    except OutputError as error:
        return str(error)
    return ""


@given(tree=TREES, place=PLACES)
@pytest.mark.parametrize("act", [write, write_new, make_folder, clear_unfinished])
def test_nothing_outside_is_touched(
    act: Callable[[Path], None], tree: dict[str, tuple[str, str]], place: str
) -> None:
    with tempfile.TemporaryDirectory() as name:
        home = Path(os.path.realpath(name))
        mine, received = home / "mine", home / "received"
        mine.mkdir()
        (mine / "diary.txt").write_text("dear diary")
        (mine / LEFTOVER).write_text("not theirs")
        received.mkdir()
        grow(received, tree)
        before = contents(mine)
        links = {path: os.readlink(path) for path in received.rglob("*") if path.is_symlink()}
        path = received / place
        through = any(part in links for part in (path, *path.parents))
        said = outcome(act, path)
        assert through or "is a symbolic link" not in said
        assert not through or said or act is clear_unfinished
        assert contents(mine) == before
        assert {p: os.readlink(p) for p in links} == links
        assert {p.name for p in home.iterdir()} == {"mine", "received"}


@given(tree=TREES, place=PLACES)
def test_a_copy_of_a_file_is_made_where_it_seems(
    tree: dict[str, tuple[str, str]], place: str
) -> None:
    with tempfile.TemporaryDirectory() as name:
        home = Path(os.path.realpath(name))
        mine, received = home / "mine", home / "received"
        mine.mkdir()
        (mine / "diary.txt").write_text("dear diary")
        received.mkdir()
        grow(received, tree)
        (home / "source").write_text("sound")
        path = received / place
        if not outcome(lambda path: copy_file(home / "source", path), path):
            assert path.read_text() == "sound"
            assert os.path.realpath(path) == str(path)
        assert contents(mine) == {"diary.txt": b"dear diary"}


def test_a_folder_that_is_swapped_for_a_link_meanwhile_changes_nothing(tmp_path: Path) -> None:
    mine, out = tmp_path / "mine", tmp_path / "out"
    mine.mkdir()
    out.mkdir()
    (mine / "a.txt").write_text("dear diary")
    with atomic_write(out / "a.txt", "w") as stream:
        stream.write("new")
        out.rename(tmp_path / "moved")
        out.symlink_to(mine)
    assert (mine / "a.txt").read_text() == "dear diary"
    assert os.listdir(mine) == ["a.txt"]
    if hasattr(os, "O_PATH"):
        assert (tmp_path / "moved" / "a.txt").read_text() == "new"


def test_what_the_user_names_may_be_a_link(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "named").symlink_to("real")
    with atomic_write(named_file(tmp_path / "named" / "a.txt"), "w") as stream:
        stream.write("x")
    assert (tmp_path / "real" / "a.txt").read_text() == "x"
    assert place_in(tmp_path / "named", "b/c") == tmp_path / "real" / "b" / "c"
    (tmp_path / "real" / "b").symlink_to(tmp_path)
    with pytest.raises(OutputError, match="b is a symbolic link"):
        place_in(tmp_path / "named", "b/c")


def test_a_name_that_is_like_ours_stays(tmp_path: Path) -> None:
    names = (".retune-notes.tmp", ".retune-0123456789abcdef.tmp.old copy", "x.tmp", ".running")
    for name in names:
        (tmp_path / name).write_text("mine")
    (tmp_path / LEFTOVER).write_text("left")
    write(tmp_path / "a")
    assert set(os.listdir(tmp_path)) == {*names, "a"}


def test_a_second_run_into_one_folder_is_told(tmp_path: Path) -> None:
    words = (
        "import sys; from retune.sound.folders import sole_writer\n"
        "with sole_writer(sys.argv[1]): pass"
    )
    with sole_writer(tmp_path / "out"):
        other = subprocess.run(
            [sys.executable, "-c", words, str(tmp_path / "out")], capture_output=True, text=True
        )
    assert "another run is writing to" in other.stderr
    with sole_writer(tmp_path / "out"):
        pass
    assert not os.listdir(tmp_path / "out")


def test_a_file_that_many_replace_is_held_by_one_at_a_time(tmp_path: Path) -> None:
    path = tmp_path / "count"
    path.write_text("0")

    def add() -> None:
        for _ in range(50):
            with locked_file(path):
                count = int(path.read_text())
                with atomic_write(path, "w") as stream:
                    stream.write(str(count + 1))

    threads = [threading.Thread(target=add) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert path.read_text() == "200"
    assert os.listdir(tmp_path) == ["count"]


@pytest.mark.parametrize("address", ["s3://bucket/out", "memory://out", "file:///tmp/out"])
def test_the_address_of_a_store_is_no_folder(
    address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for named in (named_folder, named_file):
        for one in (address, Path(address)):
            with pytest.raises(UsageError, match="is an address; give a folder"):
                named(one)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="labels of Linux")
def test_a_file_keeps_its_permissions_and_labels(tmp_path: Path) -> None:
    """Of a song file that is saved: a colour in a file manager, whom it is shared with."""
    path = tmp_path / "song.toml"
    path.write_bytes(b"old")
    path.chmod(0o640)
    try:
        os.setxattr(path, "user.xdg.tags", b"for class")
    except OSError:
        pytest.skip("this file system has none")
    with atomic_write(path) as stream:
        stream.write(b"new")
    assert path.read_bytes() == b"new"
    assert path.stat().st_mode & 0o7777 == 0o640
    assert os.getxattr(path, "user.xdg.tags") == b"for class"
    path.chmod(0o200)
    with atomic_write(path) as stream:
        stream.write(b"newer")
    assert path.stat().st_mode & 0o7777 == 0o200
