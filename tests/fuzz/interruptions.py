"""Every writing command killed at random moments, and run on a disk that is full at every step.

A child process runs the command in a room of its own. What stands there afterwards must be, file
by file, what was there before or what an undisturbed run makes; whatever was the user's must be as
it was; the song file must be the old or the new one; and the next run must end as if nothing had
been.
"""

from __future__ import annotations

import errno
import io
import os
import random
import shutil
import signal
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import chdir, contextmanager, redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent.parent / "bad_input"))

from hostile_songs import seen, write_song

from retune.faces.cli import main
from retune.pipeline.demo import write_demo
from retune.song.songsave import edit_song
from retune.sound import files

SONG = "song/song.toml"
FORMATS = "midi,musicxml,csv,lab,svg,stems"
MINE = {"out/mine.txt": b"a diary\n", "out/home/take.wav": b"not yours\n"}
TIMED = ("batch.json", "batch.csv", "index.html")  # which tell how long each job took


def _command(*words: str) -> Callable[[], int]:
    return lambda: main([*words, "--quiet"])


def _save() -> int:
    editor = edit_song(SONG)
    editor.set_variant("saved", ["keep highest note"], about="by a workbench")
    editor.save()
    return 0


def _demo() -> int:
    write_demo("out")
    return 0


COMMANDS: dict[str, Callable[[], int]] = {
    "save": _save,
    "demo": _demo,
    "blind": _command("export", SONG, "--format", "blind", "--out", "out"),
    "export": _command("export", SONG, "--format", FORMATS, "--out", "out"),
    "render": _command("render", SONG, "--all", "--control", "--out", "out"),
    "changed": _command("render", SONG, "--all", "--changed-only", "--out", "out"),
    "batch": _command("batch", SONG, "--out", "out"),
    "report": _command("batch", SONG, "--out", "out", "--report", "out/report"),
    "compare": _command("compare", SONG, "--out", "out/page.html"),
}


class Tally:
    """What was done to one command, and what came of it."""

    def __init__(self) -> None:
        self.done: Counter[str] = Counter()
        self.findings: Counter[str] = Counter()


@contextmanager
def _room(root: Path) -> Iterator[Path]:
    room = root / "room"
    shutil.rmtree(room, ignore_errors=True)
    shutil.copytree(root / "song", room / "song")
    for name, content in MINE.items():
        (room / name).parent.mkdir(parents=True, exist_ok=True)
        (room / name).write_bytes(content)
    yield room


def _fork(room: Path, run: Callable[[], int], prepare: Callable[[], None]) -> tuple[int, Path]:
    """A child that runs a command; its number, and where its words go."""
    said = room.parent / "said"
    child = os.fork()
    if child:
        return child, said
    code = 70
    try:
        os.chdir(room)
        handle = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(handle, 2)
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        sys.stderr = io.TextIOWrapper(io.FileIO(2, "w", closefd=False), write_through=True)
        prepare()
        code = run()
    except SystemExit as stop:
        code = int(stop.code or 0)
    except OSError as error:
        os.write(2, f"unexpected: {error!r}\n".encode())
    except Exception as error:
        code = 1 if type(error).__module__.startswith("retune.") else 70
        os.write(2, f"{error!r}\n".encode())
    os._exit(code)


def _wait(child: int) -> int:
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


# --- a disk that is full at the n-th step ------------------------------------------------------


class _Full:
    """Counts what takes room (files begun, writes, renames, folders) and refuses from one on."""

    def __init__(self, first: int) -> None:
        self.left = first

    def step(self) -> None:
        self.left -= 1
        if self.left < 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def open(self, *given: Any, **options: Any) -> Any:
        stream = open(*given, **options)  # noqa: SIM115 - as the caller closes it
        if "w" not in stream.mode and "+" not in stream.mode:
            return stream
        return _Counted(stream, self)

    def hook(self, event: str, given: tuple[Any, ...]) -> None:
        is_new = event == "open" and isinstance(given[2], int) and given[2] & os.O_CREAT
        if (is_new and "/dev" not in str(given[0])) or event in ("os.rename", "os.mkdir"):
            self.step()


class _Counted:
    def __init__(self, stream: Any, full: _Full) -> None:
        self._stream, self._full = stream, full

    def write(self, data: Any) -> Any:
        self._full.step()
        return self._stream.write(data)

    def __enter__(self) -> _Counted:
        return self

    def __exit__(self, *given: object) -> None:
        self._stream.__exit__(*given)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def _fill(first: int) -> Callable[[], None]:
    def prepare() -> None:
        full = _Full(first)
        files.open = full.open  # type: ignore[attr-defined]
        sys.addaudithook(full.hook)

    return prepare


# --- what must hold ------------------------------------------------------------------------------


def _faults(room: Path, before: dict[str, str], whole: dict[str, str], name: str) -> list[str]:
    """What is neither as before nor as an undisturbed run makes it."""
    faults = []
    now = seen(room)
    for path, content in now.items():
        is_temporary = Path(path).name.startswith(".retune-")
        if content == before.get(path) or is_temporary or content == "folder":
            continue
        if path not in whole or (content != whole[path] and Path(path).name not in TIMED):
            faults.append(f"{name}: half-written: {path}")
    for path, content in before.items():
        if path not in now:
            faults.append(f"{name}: lost: {path}")
        elif now[path] not in (content, whole.get(path)):
            faults.append(f"{name}: changed: {path}")
    return faults


def interrupt(name: str, root: Path, *, kills: int, seed: int, full: bool, tally: Tally) -> None:
    """Kill one command so often, and fill its disk at each of its steps."""
    run, chance = COMMANDS[name], random.Random(f"{seed}-{name}")
    if not (root / "song").is_dir():
        write_song(root / "song")
    with _room(root) as room:
        before = seen(room)
        _once(room, run)
    with _room(root) as room:
        began = time.monotonic()
        code = _wait(_fork(room, run, lambda: None)[0])
        took_s, whole = time.monotonic() - began, seen(room)
        if code:
            tally.findings[f"{name}: an undisturbed run ended with {code}"] += 1
    for _ in range(kills):
        with _room(root) as room:
            child, _said = _fork(room, run, lambda: None)
            time.sleep(chance.uniform(0, 1.1 * took_s))
            os.kill(child, signal.SIGKILL)
            was_killed = _wait(child) == -signal.SIGKILL
            tally.done[f"{name} killed"] += was_killed
            tally.findings.update(_faults(room, before, whole, name))
            if was_killed and chance.random() < 0.2:
                _again(room, run, whole, name, tally)
    first = 0
    while full:
        with _room(root) as room:
            child, said = _fork(room, run, _fill(first))
            code = _wait(child)
            words = said.read_text(encoding="utf-8", errors="replace")
            tally.findings.update(_faults(room, before, whole, name))
            if code == 0:
                break
            tally.done[f"{name} on a full disk"] += 1
            if code != 1 or "unexpected" in words or "Traceback" in words:
                tally.findings[f"{name}: on a full disk: {code}, {words[-200:]}"] += 1
            if any(Path(path).name.startswith(".retune-") for path in seen(room)):
                tally.findings[f"{name}: litter on a full disk"] += 1
        first += 1


def _once(room: Path, run: Callable[[], int]) -> None:
    """Run it here, so that its children find everything imported, compiled and heard."""
    with chdir(room), redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()):
        run()


def _again(
    room: Path, run: Callable[[], int], whole: dict[str, str], name: str, tally: Tally
) -> None:
    """The next run ends as if nothing had been."""
    code = _wait(_fork(room, run, lambda: None)[0])
    now = seen(room)
    tally.done[f"{name} again"] += 1
    differ = {path for path in {*now, *whole} if now.get(path) != whole.get(path)}
    if code or any(Path(path).name not in TIMED for path in differ):
        tally.findings[f"{name}: the next run ended with {code}: {sorted(differ)[:3]}"] += 1
