"""Every writing command killed at random moments, and run on disks that have no room.

A child process runs the command in a room of its own. What stands there afterwards must be, file
by file, what was there before or what an undisturbed run makes; whatever was the user's must be as
it was; the song file must be the old or the new one; the next run must end as if nothing had been;
and a command that says that all went well must have made all.
"""

from __future__ import annotations

import io
import math
import mmap
import os
import random
import select
import shutil
import signal
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import chdir, contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass, field
from pathlib import Path

from small_disks import PAGE_BYTES, full_at_byte, full_at_step, limited_disk
from writing_commands import CACHE, COMMANDS, SONG, Command, furnish

sys.path.insert(0, str(Path(__file__).parent.parent / "bad_input"))

from hostile_songs import seen

from retune.faces.cli import main

Seen = dict[str, str]
TIMED = (
    *("batch.json", "batch.csv", "index.html"),  # they tell how long each job took
    *("endings.csv", "endings.svg", "phrases.csv", "phrases.parquet"),  # of the songs that went
)
ENDS = {
    ".csv": b"\n",
    ".json": b"]\n",
    ".svg": b"</svg>",
    ".html": b"</html>\n",
    ".parquet": b"PAR1",
}
BYTE_BY_BYTE = 1_000
"""Files up to this size are cut at each of their bytes, longer ones at `CUTS` of them."""
CUTS, ROOMS = 24, 12
HANGS_S, HUNG = 120, 71
LONG_TAKES = 6  # of each of the full disks for a command that takes long


@dataclass
class Tally:
    """What was done to the commands, and what came of it."""

    done: Counter[str] = field(default_factory=Counter)
    findings: Counter[str] = field(default_factory=Counter)
    left_out: set[str] = field(default_factory=set)


@dataclass
class Trial:
    """One command, with what stands in its room before it and after an undisturbed run."""

    name: str
    command: Command
    room: Path
    furnished: Path
    tally: Tally
    before: Seen = field(default_factory=dict)
    whole: Seen = field(default_factory=dict)
    took_s: float = 0.0

    @contextmanager
    def fresh(self) -> Iterator[Path]:
        """The room, as at the beginning."""
        self.room.mkdir(exist_ok=True)
        for path in self.room.iterdir():
            shutil.rmtree(path) if path.is_dir() else path.unlink()
        shutil.copytree(self.furnished, self.room, dirs_exist_ok=True)
        yield self.room

    def finding(self, words: str) -> None:
        self.tally.findings[f"{self.name}: {words}"] += 1
        print(f"{self.name}: {words}", file=sys.stderr, flush=True)

    def undisturbed(self) -> None:
        """See what the command makes, once here, so that its children find all imported, compiled
        and heard (but where it leaves threads behind), and once in a child."""
        with self.fresh() as room:
            self.before = seen(room)
            with chdir(room), redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()):
                cache = os.environ["RETUNE_CACHE"]
                if self.command.is_threaded:
                    main(["analyze", SONG, "--quiet"])
                else:
                    self.command.run()
                os.environ["RETUNE_CACHE"] = cache
        with self.fresh() as room:
            began = time.monotonic()
            code, said = self.run()
            self.took_s, self.whole = time.monotonic() - began, seen(room)
            print(f"{self.name} takes {self.took_s:.2f} s", file=sys.stderr, flush=True)
        if code:
            self.finding(f"an undisturbed run ended with {code}: {said[-200:]}")

    def run(self, prepare: Callable[[], None] = lambda: None) -> tuple[int, str]:
        """The code and the words of a child that runs the command to its end."""
        child, words = _fork(self.room, self.command.run, prepare)
        said = _said_within(words, HANGS_S)
        if said is not None:
            return _wait(child), said
        os.kill(child, signal.SIGKILL)
        _wait(child)
        self.finding(f"hung for {HANGS_S} s")
        return HUNG, ""

    # --- what must hold ------------------------------------------------------------------------

    def look(self, how: str) -> Seen:
        """Note what is neither as before nor as an undisturbed run makes it."""
        now = seen(self.room)
        for path, content in now.items():
            is_temporary = Path(path).name.startswith(".retune-")
            if content in (self.before.get(path), "folder") or is_temporary:
                continue
            is_whole = path in self.whole and content == self.whole[path]
            if Path(path).name in TIMED:
                is_whole = (self.room / path).read_bytes().endswith(ENDS[Path(path).suffix])
            if not is_whole:
                self.finding(f"{how}: half-written: {path}")
        for path, content in self.before.items():
            if path not in now:
                self.finding(f"{how}: lost: {path}")
            elif now[path] not in (content, self.whole.get(path)):
                self.finding(f"{how}: changed: {path}")
        return now

    def differs(self, now: Seen) -> list[str]:
        """What is not as an undisturbed run makes it."""
        paths = {path for path in {*now, *self.whole} if now.get(path) != self.whole.get(path)}
        return sorted(path for path in paths if Path(path).name not in TIMED)

    def refused(self, how: str, code: int, said: str) -> None:
        """Note where a disk without room was not told in one line, or told as if all were well."""
        self.tally.done[f"{self.name}, {how}"] += 1
        now = self.look(how)
        if any(Path(path).name.startswith(".retune-") for path in now):
            self.finding(f"{how}: litter")
        if code == HUNG:
            return
        if code == 0:
            lacks = [path for path in self.differs(now) if not path.startswith(CACHE)]
            if lacks:
                self.finding(f"{how}: it says that all went well, without {lacks[:2]}")
        elif code != 1 or "unexpected" in said or "Traceback" in said or not said.strip():
            self.finding(f"{how}: {code}, {said[-300:]}")

    # --- what is done to it --------------------------------------------------------------------

    def kill(self, n: int, chance: random.Random) -> None:
        """Kill it at random moments; now and then see that the next run heals all."""
        killed = 0
        for _ in range(10 * n):  # some have ended before
            with self.fresh():
                child, words = _fork(self.room, self.command.run, lambda: None)
                _said_within(words, chance.uniform(0, self.took_s))
                os.kill(child, signal.SIGKILL)
                was_killed = _wait(child) == -signal.SIGKILL
                now = self.look("killed")
                if was_killed and chance.random() < 0.25:
                    self._run_again(is_refused=self.command.once in now)
            killed += was_killed
            if killed == n:
                break
        self.tally.done[f"{self.name}, killed"] += killed

    def _run_again(self, *, is_refused: bool) -> None:
        code, said = self.run()
        differ = self.differs(seen(self.room))
        self.tally.done[f"{self.name}, run again"] += 1
        if code != is_refused or differ:
            self.finding(f"the next run ended with {code}: {differ[:3]} {said[-200:]}")

    def fill(self, chance: random.Random, *, every: int) -> None:
        """Let it find no room at each of its steps, or every so many, and at bytes of its files."""
        met, step = mmap.mmap(-1, 1), 0
        while True:
            met[0] = 0
            with self.fresh():
                code, said = self.run(full_at_step(step, met))
                if not met[0]:
                    break
                self.refused("full at a step", code, said)
            step += every
        for n_bytes in self._cuts(chance):
            with self.fresh():
                self.refused("full at a byte", *self.run(full_at_byte(n_bytes)))

    def _cuts(self, chance: random.Random) -> list[int]:
        longest = self._new_bytes(max)
        if longest <= BYTE_BY_BYTE:
            return list(range(longest))
        n = LONG_TAKES if self.command.is_long else CUTS
        return sorted({int(math.exp(chance.uniform(0, math.log(longest)))) for _ in range(n)})

    def _new_bytes(self, of: Callable[[list[int]], int]) -> int:
        """The sizes of the files that it makes, as they stand in the room after a run."""
        with self.fresh() as room:
            self.run()
            new = [path for path, made in self.whole.items() if made != self.before.get(path)]
            return of([(room / path).stat().st_size for path in new if (room / path).is_file()])

    def crowd(self, leave: Callable[[int], None], chance: random.Random) -> None:
        """Run it on a file system that has room for some of what it makes."""
        needs = self._new_bytes(sum)
        for _ in range(LONG_TAKES if self.command.is_long else ROOMS):
            leave(256 << 20)
            with self.fresh():
                leave(chance.randrange(0, needs + 2 * PAGE_BYTES))
                code, said = self.run()
                self.refused("on a small file system", code, said)
        leave(256 << 20)


def _fork(room: Path, run: Callable[[], int], prepare: Callable[[], None]) -> tuple[int, int]:
    """A child that runs a command; its number, and a descriptor that its words come from."""
    words, end = os.pipe()
    child = os.fork()
    if child:
        os.close(end)
        return child, words
    code = 70
    try:
        os.close(words)
        os.chdir(room)
        os.dup2(end, 2)
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


def _said_within(words: int, seconds: float) -> str | None:
    """All that a child said, once it has ended; None where it has not within so long."""
    until, said = time.monotonic() + seconds, b""
    with open(words, "rb", buffering=0) as stream:
        while select.select([stream], [], [], max(until - time.monotonic(), 0))[0]:
            block = stream.read(65536)
            said += block
            if not block:
                return said.decode("utf-8", "replace")
    return None


def _wait(child: int) -> int:
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def interrupt(
    name: str, root: Path, *, kills: int, long: int, seed: int, full: bool, tally: Tally, every: int
) -> None:
    """Kill one command so often, and run it on full disks of three kinds."""
    furnished, command = root / "furnished", COMMANDS[name]
    if not furnished.is_dir():
        furnished.mkdir()
        furnish(furnished)
    trial = Trial(name, command, root / "room", furnished, tally)
    chance = random.Random(f"{seed}-{name}")
    trial.undisturbed()
    trial.kill(min(kills, long) if command.is_long else kills, chance)
    if not full:
        return
    trial.fill(chance, every=7 * every if command.is_long else every)
    trial.room = root / "small"
    with limited_disk(trial.room) as leave:
        if leave is None:
            tally.left_out.add("a file system of limited size (it wants root and Linux)")
        else:
            trial.crowd(leave, chance)
