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
# A job of nohup, or of a shell that is not interactive, inherits some of them ignored.
AS_IN_A_TERMINAL = """
import os, signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)
signal.signal(signal.SIGHUP, signal.SIG_DFL)
"""
HOOK = """
def hook(event, given):
    if event == "{event}" and "{part}" in str(given[{which}]):
        os.kill(os.getpid(), signal.{name})
sys.addaudithook(hook)
"""


def as_it_writes(name: str) -> str:
    """Python that sends a signal at the first rename: that of the first file, once written."""
    return AS_IN_A_TERMINAL + HOOK.format(event="os.rename", part=".retune-", which=0, name=name)


def as_it_reads(name: str) -> str:
    return AS_IN_A_TERMINAL + HOOK.format(event="open", part="vocal.wav", which=0, name=name)


@pytest.mark.parametrize(
    ("command", "name"),
    [
        pytest.param("render", "SIGINT", marks=pytest.mark.slow),
        pytest.param("batch", "SIGINT", marks=pytest.mark.slow),
        *(
            pytest.param("export", name, marks=() if name == "SIGTERM" else pytest.mark.slow)
            for name in SIGNALS
        ),
    ],
)
def test_a_signal_as_it_writes(command: str, name: str, home: Path) -> None:
    words = (*WRITERS[command], "--no-cache", "--quiet")
    answer = run_apart(*words, before=as_it_writes(name), cwd=home.parent)
    assert answer.code == 128 + getattr(signal, name)
    assert "Traceback" not in answer.err
    if command != "batch":
        assert answer.err == "retune: stopped; nothing half-written\n"
    assert not list(home.parent.rglob(".*"))


@pytest.mark.slow
@pytest.mark.parametrize("words", [("analyze",), ("plan", "--variant", "home"), ("suggest",)])
def test_ctrl_c_as_it_reads(words: tuple[str, ...], home: Path) -> None:
    answer = run_apart(*words, SONG, "--no-cache", before=as_it_reads("SIGINT"), cwd=home.parent)
    assert (answer.code, answer.out) == (130, "")
    assert answer.err == "retune: stopped; nothing half-written\n"


def test_a_signal_that_is_ignored_stays_so(home: Path) -> None:
    """As `nohup retune batch ...` wants it."""
    hook = as_it_writes("SIGHUP") + "signal.signal(signal.SIGHUP, signal.SIG_IGN)"
    assert run_apart(*WRITERS["export"], "--quiet", before=hook, cwd=home.parent).code == 0


@pytest.mark.slow
@pytest.mark.parametrize("command", WRITERS)
def test_after_a_kill_the_next_run_makes_the_same(command: str, home: Path) -> None:
    words, room = (*WRITERS[command], "--quiet"), home.parent
    hook = as_it_writes("SIGKILL")
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
