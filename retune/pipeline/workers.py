"""Tasks on workers: each begun when it is released, none lost with a worker that dies.

The same tasks run in this process, on local processes (loky, as joblib ships it) or on a Dask
cluster (`retune.pipeline.cluster`). A task is a function of a module and one plain value, so
that it crosses to any of them.
"""

from __future__ import annotations

import os
import shutil
import signal
import tempfile
import threading
import time
import weakref
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import CancelledError, Future
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue
from typing import Any, Protocol

from retune.sound.cache import content_key

MAX_TRIES = 2
"""A task that took its worker with it this often is given up."""
MAX_LOSSES = 12
"""So many workers lost with no task done between: it is the workers, not the tasks."""
MARKS = "retune-running-"
"""How the folder is called whose files tell what runs; then comes the number of the process."""
IDLE_S = 300
"""How long a worker waits for work before it ends."""
LOOK_S = 2.0
"""How often a worker looks whether the main process is still there."""
ONE_THREAD = {
    f"{name}_NUM_THREADS": "1"
    for name in ("OMP", "OPENBLAS", "MKL", "BLIS", "NUMBA", "VECLIB", "NUMEXPR")
}


@dataclass(frozen=True)
class Task:
    """`run(given)` somewhere; `title` names it, and no other."""

    title: str
    run: Callable[[Any], Any]
    given: Any


class Workers(Protocol):
    """What runs tasks."""

    def submit(self, task: Task) -> Future[Any]: ...

    def width(self) -> int:
        """How many tasks to have under way, those that wait at a worker among them: two a worker;
        1 where nothing runs beside the caller."""
        ...

    def broke(self, error: BaseException) -> bool:
        """Whether `error` means that all that was under way is gone."""
        ...

    def suspects(self, tasks: Sequence[Task]) -> list[Task]:
        """Those of the tasks gone with a worker that it had begun."""
        ...

    def stop(self) -> None:
        """End everything at once."""
        ...

    def leave(self) -> None:
        """Nothing more will be given."""
        ...


Done = Callable[[Task, Any], Iterable[Task]]
"""Takes a task and its result; gives the tasks that may begin now."""
Lost = Callable[[Task, str], Iterable[Task]]
"""Takes a task that could not be run, and why; gives the tasks that may begin now."""


def run_tasks(tasks: Iterable[Task], *, workers: Workers, done: Done, lost: Lost) -> None:
    """Run `tasks` in their order, and before the rest of them those released meanwhile.

    Tasks that were under way when a worker died are tried again one by one, so that a task that
    kills its worker takes no other with it; `lost` gets it after `MAX_TRIES`.
    """
    _Run(deque(tasks), workers, done, lost).go()


class _Run:
    """The state of `run_tasks`."""

    def __init__(self, queue: deque[Task], workers: Workers, done: Done, lost: Lost) -> None:
        self.queue, self.workers, self.done, self.lost = queue, workers, done, lost
        self.alone: deque[Task] = deque()
        self.trial: Task | None = None
        self.away: dict[Future[Any], Task] = {}
        self.back: SimpleQueue[Future[Any]] = SimpleQueue()
        self.tries: dict[str, int] = {}
        self.losses = 0

    def go(self) -> None:
        while self.queue or self.alone or self.away:
            self._send()
            if self.away:
                self._receive()

    def _send(self) -> None:
        if self.alone and not self.away:
            self.trial = self.alone.popleft()
            self._submit(self.trial)
        while self.queue and not self.alone and self.trial is None:
            if len(self.away) >= self.workers.width():
                return
            self._submit(self.queue.popleft())

    def _submit(self, task: Task) -> None:
        try:
            future = self.workers.submit(task)
        except Exception as error:
            self._release(self.lost(task, f"no worker takes it: {_words(error)}"))
            return
        self.away[future] = task
        future.add_done_callback(self.back.put)

    def _receive(self) -> None:
        future, task, error = self._next()
        if error is None:
            self.losses = 0
            self._release(self.done(task, future.result()))
        elif self.workers.broke(error):
            self._after_break([task], error)
        else:
            self._release(self.lost(task, _words(error)))

    def _next(self) -> tuple[Future[Any], Task, BaseException | None]:
        future = self.back.get()
        task = self.away.pop(future)
        if task is self.trial:
            self.trial = None
        try:
            return future, task, future.exception()
        except CancelledError as error:
            return future, task, error

    def _release(self, tasks: Iterable[Task]) -> None:
        self.queue.extendleft(reversed(list(tasks)))

    def _after_break(self, gone: list[Task], error: BaseException) -> None:
        """Sort out what was under way: done after all, suspect, or never begun."""
        while self.away:
            future, task, fault = self._next()
            if fault is None:
                self._release(self.done(task, future.result()))
            else:
                gone.append(task)
        self.losses += 1
        suspects = self.workers.suspects(gone)
        for task in suspects:
            self.tries[task.title] = self.tries.get(task.title, 0) + 1
            if self.tries[task.title] < MAX_TRIES:
                self.alone.append(task)
            else:
                why = f"its worker died {MAX_TRIES} times: {_words(error)}"
                self._release(self.lost(task, why))
        self._release(task for task in gone if task not in suspects)
        if self.losses >= MAX_LOSSES:
            self._give_up(error)

    def _give_up(self, error: BaseException) -> None:
        while self.queue or self.alone:
            task = (self.alone or self.queue).popleft()
            self._release(self.lost(task, f"workers die as they begin: {_words(error)}"))


def _words(error: BaseException) -> str:
    return " ".join(f"{type(error).__name__}: {error}".split())[:200]


class InThisProcess:
    """Tasks run here, one after another."""

    def submit(self, task: Task) -> Future[Any]:
        future: Future[Any] = Future()
        try:
            future.set_result(task.run(task.given))
        except Exception as error:
            future.set_exception(error)
        return future

    def width(self) -> int:
        return 1

    def broke(self, error: BaseException) -> bool:
        return False

    def suspects(self, tasks: Sequence[Task]) -> list[Task]:
        return list(tasks)

    def stop(self) -> None:
        """Nothing runs beside the caller."""

    def leave(self) -> None:
        """Nothing is held."""


class LocalProcesses:
    """`count` processes of this machine, numeric libraries held to one thread in each.

    A file in a folder of its own, `marks`, stands while a task runs, so that a dead worker's task
    is known. It is made anew for each run and never lies where a user's files may.
    """

    def __init__(self, count: int) -> None:
        self.count = count
        self.marks = Path(tempfile.mkdtemp(prefix=f"{MARKS}{os.getpid()}-"))
        weakref.finalize(self, shutil.rmtree, self.marks, ignore_errors=True)
        self._executor()

    def _executor(self) -> Any:
        from loky import get_reusable_executor

        # A pool that broke is replaced here; else it is always the same one.
        return get_reusable_executor(
            self.count,
            timeout=IDLE_S,
            env=ONE_THREAD,
            initializer=_begin_worker,
            initargs=(os.getpid(),),
        )

    def submit(self, task: Task) -> Future[Any]:
        future: Future[Any] = self._executor().submit(
            _run_marked, task.run, task.given, mark=self._mark(task), title=task.title
        )
        return future

    def _mark(self, task: Task) -> Path:
        return self.marks / f"{content_key({'task': task.title})}.txt"

    def width(self) -> int:
        return 2 * self.count

    def broke(self, error: BaseException) -> bool:
        return isinstance(error, BrokenProcessPool)

    def suspects(self, tasks: Sequence[Task]) -> list[Task]:
        begun = [task for task in tasks if self._mark(task).exists()]
        for task in begun:
            self._mark(task).unlink(missing_ok=True)
        return begun or list(tasks)

    def stop(self) -> None:
        self._executor().shutdown(wait=True, kill_workers=True)

    def leave(self) -> None:
        """Idle processes end by themselves, or do the next batch of this one."""


def _begin_worker(main_pid: int) -> None:
    """Leave Ctrl-C to the main process, which ends its workers itself; end with it when it is
    killed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with, args=(main_pid,), daemon=True).start()


def _end_with(main_pid: int) -> None:
    """Wait for the main process to be gone, then end this one where it stands: files are whole or
    not there. A system that keeps telling a dead parent's number (Windows) is left to loky."""
    while os.getppid() == main_pid:
        time.sleep(LOOK_S)
    os._exit(1)


def _run_marked(run: Callable[[Any], Any], given: Any, *, mark: Path, title: str) -> Any:
    # Where no mark can be written, the task itself says what is wrong with the disk.
    with suppress(OSError):
        mark.write_text(f"{os.getpid()} {title}\n", encoding="utf-8")
    try:
        return run(given)
    finally:
        with suppress(OSError):
            mark.unlink(missing_ok=True)
