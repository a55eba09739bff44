"""Commands that a signal ends: one line, the code that a shell expects, nothing half-written; and
after a kill that leaves no time for anything, the next run makes the same files."""

from __future__ import annotations

import signal
import sys
from pathlib import Path

import pytest
from hostile_songs import run_apart, seen

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
SONG = "song/song.toml"
WRITERS: dict[str, tuple[str, ...]] = {
    "render": ("render", SONG, "--all", "--out", "OUT"),
    "compare": ("compare", SONG, "--out", "OUT/page.html"),
    "export": ("export", SONG, "--format", "midi,csv", "--out", "OUT"),
    "batch": ("batch", SONG, "--out", "OUT"),
}
SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP")
# The first rename is that of the first file of the output, once it is written.
AS_IT_WRITES = """
import os, signal, sys
def hook(event, given):
    if event == "os.rename" and "OUT" in str(given[1]):
        os.kill(os.getpid(), signal.{name})
sys.addaudithook(hook)
"""
AS_IT_READS = (
    AS_IT_WRITES.replace("os.rename", "open")
    .replace("OUT", "vocal.wav")
    .replace("given[1]", "given[0]")
)


@pytest.mark.parametrize(
    ("command", "name"),
    [("render", "SIGINT"), ("batch", "SIGINT"), *(("export", name) for name in SIGNALS)],
)
def test_a_signal_as_it_writes(command: str, name: str, home: Path) -> None:
    words = (*WRITERS[command], "--no-cache", "--quiet")
    answer = run_apart(*words, before=AS_IT_WRITES.format(name=name), cwd=home.parent)
    assert answer.code == 128 + getattr(signal, name)
    assert "Traceback" not in answer.err
    if command != "batch":
        assert answer.err == "retune: stopped; nothing half-written\n"
    assert not [path for path in home.parent.rglob(".*") if path.name != ".running"]


@pytest.mark.parametrize("words", [("analyze",), ("plan", "--variant", "home"), ("suggest",)])
def test_ctrl_c_as_it_reads(words: tuple[str, ...], home: Path) -> None:
    hook = AS_IT_READS.format(name="SIGINT")
    answer = run_apart(*words, SONG, "--no-cache", before=hook, cwd=home.parent)
    assert (answer.code, answer.out) == (130, "")
    assert answer.err == "retune: stopped; nothing half-written\n"


def test_a_signal_that_is_ignored_stays_so(home: Path) -> None:
    """As `nohup retune batch ...` wants it."""
    ignored = "import signal; signal.signal(signal.SIGHUP, signal.SIG_IGN)\n"
    hook = ignored + AS_IT_WRITES.format(name="SIGHUP")
    assert run_apart(*WRITERS["export"], "--quiet", before=hook, cwd=home.parent).code == 0


@pytest.mark.slow
@pytest.mark.parametrize("command", WRITERS)
def test_after_a_kill_the_next_run_makes_the_same(command: str, home: Path) -> None:
    words, room = (*WRITERS[command], "--quiet"), home.parent
    hook = AS_IT_WRITES.format(name="SIGKILL")
    assert run_apart(*words, before=hook, cwd=room).code == -signal.SIGKILL
    assert run_apart(*words, cwd=room).code == 0
    again = seen(room / "OUT")
    (room / "OUT").rename(room / "before")
    assert run_apart(*words, cwd=room).code == 0
    times = ("batch.json", "batch.csv")  # which tell how long each job took
    fresh = seen(room / "OUT")
    assert {k: v for k, v in again.items() if k not in times} == {
        k: v for k, v in fresh.items() if k not in times
    }
