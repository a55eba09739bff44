"""Tasks on workers: order, release, and what a dying worker costs."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from typing import Any

import pytest

from retune.pipeline.workers import (
    MAX_TRIES,
    InThisProcess,
    LocalProcesses,
    Task,
    Workers,
    run_tasks,
)


def double(number: int) -> int:
    return 2 * number


def fault(given: object) -> None:
    raise RuntimeError(f"no good: {given}")


def kill_me(given: object) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def kill_once(flag: str) -> str:
    """Takes its worker with it the first time."""
    if not Path(flag).exists():
        Path(flag).touch()
        kill_me(flag)
    return "lived"


def threads(given: object) -> list[str | None]:
    return [os.environ.get(f"{name}_NUM_THREADS") for name in ("OMP", "OPENBLAS", "NUMBA")]


def a_lock(given: object) -> Any:
    return threading.Lock()


def linger(folder: str) -> None:
    """Leaves its number behind and works for longer than any test waits."""
    (Path(folder) / f"{os.getpid()}.pid").touch()
    time.sleep(300)


def tasks(run: Any, *given: Any) -> list[Task]:
    return [Task(f"{run.__name__} {one}", run, one) for one in given]


def run(queue: Iterable[Task], workers: Workers) -> tuple[dict[str, Any], dict[str, str]]:
    done: dict[str, Any] = {}
    lost: dict[str, str] = {}
    run_tasks(
        queue,
        workers=workers,
        done=lambda task, result: done.update({task.title: result}) or (),
        lost=lambda task, why: lost.update({task.title: why}) or (),
    )
    return done, lost


class Deaths:
    """Workers that hold what they are given and die with it at the submissions `at`; after the
    last of these they work."""

    def __init__(self, *, width: int, at: Sequence[int]) -> None:
        self.limit, self.at, self.begun = width, list(at), 0
        self.held: list[tuple[Task, Future[Any]]] = []
        self.log: list[list[str]] = []

    def submit(self, task: Task) -> Future[Any]:
        future: Future[Any] = Future()
        self.held.append((task, future))
        self.begun += 1
        self.log.append([held.title for held, _ in self.held])
        if self.begun in self.at:
            for _, waiting in self.held:
                waiting.set_exception(BrokenProcessPool("a worker died"))
            self.held.clear()
        elif self.begun > max(self.at):
            for held, waiting in self.held:
                waiting.set_result(held.run(held.given))
            self.held.clear()
        return future

    def width(self) -> int:
        return self.limit

    def broke(self, error: BaseException) -> bool:
        return isinstance(error, BrokenProcessPool)

    def suspects(self, gone: Sequence[Task]) -> list[Task]:
        return list(gone)

    def stop(self) -> None:
        self.held.clear()


def test_tasks_run_in_order_and_released_ones_before_the_rest() -> None:
    order: list[str] = []

    def done(task: Task, result: int) -> list[Task]:
        order.append(task.title)
        return tasks(double, 10, 11) if task.given == 1 else []

    def lost(task: Task, why: str) -> list[Task]:
        raise AssertionError(why)

    run_tasks(tasks(double, 1, 2), workers=InThisProcess(), done=done, lost=lost)
    assert order == ["double 1", "double 10", "double 11", "double 2"]


def test_a_fault_is_told_once_and_releases_what_the_caller_says() -> None:
    told: list[tuple[str, str]] = []
    done: list[str] = []

    def lost(task: Task, why: str) -> list[Task]:
        told.append((task.title, why))
        return tasks(double, 5)

    def note(task: Task, result: Any) -> Iterator[Task]:
        done.append(task.title)
        yield from ()

    queue = [*tasks(fault, "x"), *tasks(double, 1)]
    run_tasks(queue, workers=InThisProcess(), done=note, lost=lost)
    assert told == [("fault x", "RuntimeError: no good: x")]
    assert done == ["double 5", "double 1"]


def test_tasks_gone_with_a_worker_are_tried_again_one_by_one() -> None:
    workers = Deaths(width=3, at=[3])
    done, lost = run(tasks(double, 1, 2, 3, 4), workers)
    assert (done, lost) == ({f"double {k}": 2 * k for k in (1, 2, 3, 4)}, {})
    assert workers.log == [
        ["double 1"],
        ["double 1", "double 2"],
        ["double 1", "double 2", "double 3"],
        *(["double 1"], ["double 2"], ["double 3"], ["double 4"]),
    ]


def test_workers_that_all_die_end_the_run() -> None:
    workers = Deaths(width=2, at=range(1, 1000))
    done, lost = run(tasks(double, *range(40)), workers)
    assert not done
    assert len(lost) == 40
    assert "workers die as they begin: BrokenProcessPool: a worker died" in lost["double 39"]
    assert workers.begun < 40


def test_a_task_that_kills_its_worker_is_given_up_and_no_other_is_lost(tmp_path: Path) -> None:
    workers = LocalProcesses(2)
    queue = [
        *tasks(double, *range(5)),
        *tasks(kill_me, "it"),
        *tasks(kill_once, str(tmp_path / "flag")),
        *tasks(double, *range(5, 10)),
        *tasks(threads, 0),
    ]
    done, lost = run(queue, workers)
    assert list(lost) == ["kill_me it"]
    assert lost["kill_me it"].startswith(f"its worker died {MAX_TRIES} times: ")
    assert {done[f"double {k}"] for k in range(10)} == {2 * k for k in range(10)}
    assert done[f"kill_once {tmp_path / 'flag'}"] == "lived"
    assert done["threads 0"] == ["1", "1", "1"]
    assert not list(workers.marks.iterdir())
    workers.stop()


def test_a_result_that_cannot_come_back_is_a_fault_of_its_task(tmp_path: Path) -> None:
    workers = LocalProcesses(2)
    done, lost = run([*tasks(a_lock, 0), *tasks(double, 1)], workers)
    assert done == {"double 1": 2}
    assert "pickle" in lost["a_lock 0"]
    workers.stop()


@pytest.mark.parametrize("error", [RuntimeError("closed"), OSError("gone")])
def test_workers_that_take_nothing_are_told(error: Exception) -> None:
    class Closed(InThisProcess):
        def submit(self, task: Task) -> Future[Any]:
            raise error

    done, lost = run(tasks(double, 1, 2), Closed())
    assert not done
    assert lost["double 2"] == f"no worker takes it: {type(error).__name__}: {error}"


def is_running(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text(encoding="ascii")
    except OSError:
        return False
    return state.rpartition(")")[2].split()[0] != "Z"


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="reads /proc")
def test_workers_end_when_the_main_process_is_killed(tmp_path: Path) -> None:
    code = (
        "import sys; sys.path[:0] = sys.argv[2:]\n"
        "from test_scheduling import *\n"
        "run(tasks(linger, sys.argv[1]), LocalProcesses(2))"
    )
    main = subprocess.Popen([sys.executable, "-c", code, str(tmp_path), str(Path(__file__).parent)])
    until = time.monotonic() + 120
    while not (found := list(tmp_path.glob("*.pid"))) and time.monotonic() < until:
        time.sleep(0.1)
    workers = [int(path.stem) for path in found]
    assert workers
    assert all(map(is_running, workers))
    main.kill()
    main.wait()
    until = time.monotonic() + 60
    while any(map(is_running, workers)) and time.monotonic() < until:
        time.sleep(0.1)
    assert not any(map(is_running, workers))
