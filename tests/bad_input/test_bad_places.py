"""Places that cannot be written, and files that must not be: nothing half-written, no input
touched, however the disk fails."""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from hostile_songs import RULE, SONG, refused, run, run_apart, seen, spoiled

from retune import pipeline

WRITERS: dict[str, tuple[str, ...]] = {
    "render": ("render", "song/song.toml", "--all", "--out", "OUT/new"),
    "compare": ("compare", "song/song.toml", "--out", "OUT/new/page.html"),
    "export": ("export", "song/song.toml", "--format", "midi,csv", "--out", "OUT/new"),
    "batch": ("batch", "song/song.toml", "--out", "OUT/new"),
    "demo": ("demo", "--out", "OUT/new"),
}


@pytest.fixture
def room(home: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder that holds the folder of the song, made the current one."""
    monkeypatch.chdir(home.parent)
    return home.parent


@pytest.mark.parametrize("command", WRITERS)
def test_a_file_where_a_folder_is_wanted(
    command: str, room: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (room / "OUT").write_text("in the way")
    said = refused(capsys, room, *WRITERS[command], code=1)
    assert "part of its path is a file, not a folder" in said
    assert "cannot make the folder OUT/new" in said
    assert "choose another output folder" in said


@pytest.mark.parametrize("command", WRITERS)
def test_a_file_in_place_of_the_folder(
    command: str, room: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (room / "OUT").mkdir()
    (room / "OUT" / "new").write_text("in the way")
    said = refused(capsys, room, *WRITERS[command], code=1)
    assert "cannot make the folder OUT/new" in said
    assert "is a file" in said or "a file of that name is in the way; choose another name" in said


@pytest.mark.parametrize("command", WRITERS)
def test_a_loop_of_links_to_write_through(
    command: str, room: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    os.symlink("OUT", room / "OUT")
    said = refused(capsys, room, *WRITERS[command], code=1)
    assert "its path is a loop of symbolic links; choose another output folder" in said


@pytest.mark.parametrize("command", WRITERS)
@pytest.mark.parametrize(
    ("code", "words"),
    [
        (errno.EROFS, "the disk is read-only; choose another output folder"),
        (errno.EACCES, "no permission to write there; allow it, or choose another output folder"),
    ],
)
def test_a_disk_that_takes_no_folder(
    command: str,
    code: int,
    words: str,
    room: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    make = os.mkdir

    def refuse(path: Any, *args: Any, **options: Any) -> None:
        if str(path).endswith(("OUT", "new")):
            raise OSError(code, os.strerror(code), path)
        make(path, *args, **options)

    monkeypatch.setattr(os, "mkdir", refuse)
    assert words in refused(capsys, room, *WRITERS[command], code=1)


@pytest.mark.parametrize("command", sorted(set(WRITERS) - {"demo"}))
def test_a_disk_that_is_full_leaves_whole_files_or_none(
    command: str, room: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(handle: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    before = seen(room)
    monkeypatch.setattr(os, "fsync", full)
    answer = run(capsys, *WRITERS[command], "--quiet")
    assert answer.code == 1
    assert "the disk is full; free some space or write elsewhere" in answer.err
    left = {name: what for name, what in seen(room).items() if name not in before}
    assert set(left.values()) <= {"folder"}
    assert {name: what for name, what in seen(room).items() if name in before} == before


def test_a_file_that_may_not_grow_leaves_nothing(room: Path) -> None:
    """The same with a real limit of the system, in a process of its own."""
    limit = "import resource, signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN);"
    limit += "resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))"
    before = seen(room / "song")
    answer = run_apart(
        *("render", "song/song.toml", "--rule", RULE, "--out", "OUT", "--no-cache"), before=limit
    )
    assert answer.code == 1
    assert "the file system cannot hold a file of that size; write elsewhere" in answer.refusal
    assert seen(room / "song") == before
    assert not [path for path in (room / "OUT").rglob("*") if path.is_file()]


def test_a_pipe_or_a_device_is_not_replaced(room: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (room / "answers.csv").write_text(
        "listener,sheet,trial,kind,passage,first,second,answer\na,1,1,pair,p,original,b,first\n"
    )
    os.mkfifo(room / "pipe.svg")
    said = refused(capsys, room, "tally", "answers.csv", "--plot", "pipe.svg", code=1)
    assert "cannot write pipe.svg: it is not a regular file; choose another" in said


@contextmanager
def rights_of_nobody() -> Iterator[None]:
    """Without the rights of root, so that permissions count; what is imported is imported."""
    os.setegid(65534)
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)
        os.setegid(0)


@pytest.mark.skipif(os.geteuid() != 0, reason="needs root, to give its rights away for a while")
def test_no_permission_to_read_or_to_write(
    clean_song: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    with tempfile.TemporaryDirectory() as name:
        room = Path(name)
        room.chmod(0o755)
        home = Path(shutil.copytree(clean_song.parent, room / "song"))
        monkeypatch.chdir(room)
        words = ("render", "song/song.toml", "--rule", RULE, "--no-cache", "--quiet", "--out")
        assert run(capsys, *words, room / "mine").code == 0
        with rights_of_nobody():
            said = refused(capsys, room, *words, "OUT", code=1)
            assert "cannot make the folder OUT" in said
            assert "no permission to write there; allow it, or choose another output folder" in said
        (home / "vocal.wav").chmod(0)
        with rights_of_nobody():
            answer = run(capsys, "analyze", "song/song.toml", "--no-cache")
            assert "vocal.wav cannot be read (Permission denied); check its" in answer.refusal
            assert answer.code == 2
        (home / "song.toml").chmod(0)
        with rights_of_nobody():
            answer = run(capsys, "analyze", "song/song.toml", "--no-cache")
            assert "song.toml cannot be read (Permission denied); check path and" in answer.refusal
            assert answer.code == 2
        monkeypatch.chdir("/")


# --- inputs ----------------------------------------------------------------------------------


@pytest.mark.parametrize("link", ["the same file", "a symbolic link", "a hard link"])
def test_a_page_never_falls_on_an_input(
    link: str, room: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = room / "page.html"
    if link == "the same file":
        target = room / "song" / "vocal.wav"
    elif link == "a symbolic link":
        os.symlink("song/vocal.wav", target)
    else:
        os.link(room / "song" / "vocal.wav", target)
    said = refused(capsys, room, "compare", "song/song.toml", "--out", target)
    assert "is an input; choose another --out" in said


@pytest.mark.parametrize("place", ["original", "home", "home/matched-control"])
def test_renditions_never_fall_on_an_input(
    place: str, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A stem that a variant leaves alone is linked, not written: nor may a link replace it."""
    (home / place).mkdir(parents=True)
    (home / "bass.wav").rename(home / place / "bass.wav")
    (home / "song.toml").write_text(spoiled('"bass.wav"', f'"{place}/bass.wav"'))
    said = refused(capsys, home, "render", home / "song.toml", "--all", "--out", home)
    assert f"{place}/bass.wav is an input; choose another --out" in said


def test_a_chart_that_was_exported_is_not_written_over_once_it_is_read(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    chords = 'chords = "C | G7 | C | C"\n'
    (home / "lantern-song-chords.lab").write_text("0 2 C:maj\n2 4 G:7\n")
    (home / "song.toml").write_text(spoiled(chords, 'chords_file = "lantern-song-chords.lab"\n'))
    refused(capsys, home, "export", home / "song.toml", "--format", "lab", "--out", home)


# --- twice -----------------------------------------------------------------------------------


def test_the_same_output_twice_is_the_same_files(
    room: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ("song/song.toml", "--all", "--control", "--out", "OUT", "--quiet")
    assert run(capsys, "render", *words).code == 0
    first = seen(room)
    assert run(capsys, "render", *words).code == 0
    assert seen(room) == first
    assert all(found.identical for found in pipeline.verify(room / "OUT"))


def test_one_song_twice_in_a_batch_is_done_once(
    room: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    answer = run(capsys, "batch", "song/song.toml", "song/song.toml", "--out", "OUT", "--quiet")
    assert answer.code == 0
    assert [path.name for path in (room / "OUT").iterdir() if path.is_dir()] == ["song"]


def test_a_bad_song_in_a_batch_leaves_the_others_whole(
    room: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(room / "song", room / "other")
    (room / "other" / "song.toml").write_text(SONG.replace("CC0", "C\0C"))
    before = seen(room)
    words = ("batch", "other/song.toml", "song/song.toml", "none.toml", "--out", "OUT", "--quiet")
    answer = run(capsys, *words)
    assert answer.code == 1
    errors = [line for line in answer.err.splitlines() if line.startswith("retune: error: ")]
    assert len(errors) == 2
    assert any("other/song.toml, line 3: a NUL byte" in line for line in errors)
    assert any("none.toml does not exist" in line for line in errors)
    assert (room / "OUT" / "song" / "home" / "manifest.json").is_file()
    assert {name: what for name, what in seen(room).items() if name in before} == before
