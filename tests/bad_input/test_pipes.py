"""A named pipe in place of any file that a command reads or writes over: it never waits for a
writer, and the pipe stays. A file of the system that never ends is not read to its end."""

from __future__ import annotations

import os
import shutil
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hostile_songs import Answer, run, seen, write_song

HANGS_S = 20
SLOW = ("render", "changed", "export", "compare", "verify")
COMMANDS = {
    "render": ("render", "song/song.toml", "--all", "--out", "out"),
    "changed": ("render", "song/song.toml", "--all", "--changed-only", "--out", "out"),
    "resume": ("batch", "song/song.toml", "--out", "out", "--report", "report", "--resume"),
    "export": ("export", "song/song.toml", "--format", "midi,csv,lab,svg,blind", "--out", "out"),
    "study": ("batch", "song/song.toml", "--report", "report"),
    "compare": ("compare", "song/song.toml", "--out", "out/page.html"),
    "verify": ("verify", "out"),
    "demo": ("demo", "--out", "out"),
}


@contextmanager
def alarm() -> Iterator[None]:
    """An open that waits is interrupted, and the test fails."""

    def late(*given: object) -> None:
        raise AssertionError("it hangs")

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(HANGS_S)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A song, and what every command but the demo makes of it."""
    folder = tmp_path_factory.mktemp("made")
    write_song(folder / "song")
    return folder


@pytest.fixture
def room(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copytree(made, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def with_pipe(path: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    os.mkfifo(path)


def spoken(answer: Answer) -> None:
    assert answer.code in (0, 1, 2)
    assert "unexpected" not in answer.err
    assert "Traceback" not in answer.err


@pytest.mark.parametrize("name", ["song.toml", "vocal.wav"])
@pytest.mark.parametrize("command", ["render", "resume", "study"])
def test_an_input_that_becomes_a_pipe_is_refused(
    name: str, command: str, room: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with_pipe(room / "song" / name)
    with alarm():
        answer = run(capsys, *COMMANDS[command], "--quiet")
    spoken(answer)
    assert answer.code
    assert "is not a regular file" in answer.err


ENDLESS = Path("/proc/self/pagemap")
"""A regular file that says it has no bytes, and gives some 250 GB."""


@pytest.mark.skipif(not ENDLESS.exists(), reason="needs the /proc of Linux")
@pytest.mark.parametrize("command", ["analyze", "batch"])
def test_a_file_of_the_system_without_an_end_is_not_read_to_its_end(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = ("--out", tmp_path / "out") if command == "batch" else ()
    with alarm():
        answer = run(capsys, command, ENDLESS, *out, "--quiet")
    spoken(answer)
    assert answer.code
    assert "format is missing" in answer.err


def test_a_device_is_no_song(capsys: pytest.CaptureFixture[str]) -> None:
    with alarm():
        answer = run(capsys, "analyze", "/dev/zero")
    assert answer.code == 2
    assert "is not a regular file; give a song file" in answer.err


@pytest.mark.parametrize(
    "command",
    ["resume", "study", *(pytest.param(name, marks=pytest.mark.slow) for name in SLOW)],
)
def test_a_pipe_where_a_file_is_made_stops_nothing(
    command: str, room: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each file that the command left, in turn."""
    first = COMMANDS["render"] if command == "verify" else COMMANDS[command]
    assert run(capsys, *first, "--quiet").code == 0
    places = [name for name in seen(room) if not name.startswith("song/")]
    files = [name for name in places if (room / name).is_file()]
    assert files
    for name in files:
        kept = (room / name).read_bytes()
        with_pipe(room / name)
        with alarm():
            spoken(run(capsys, *COMMANDS[command], "--quiet"))
        assert (room / name).is_fifo()
        (room / name).unlink()
        (room / name).write_bytes(kept)


def test_the_demo_passes_no_pipe_by(room: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("song.toml", "vocal.flac", "melody.csv"):
        with_pipe(room / "out" / name)
        with alarm():
            answer = run(capsys, *COMMANDS["demo"], "--quiet")
        spoken(answer)
        assert answer.code
        (room / "out" / name).unlink()
