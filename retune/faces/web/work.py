"""Work that takes a while: in a thread of its own, with progress, and stopped when asked."""

from __future__ import annotations

import itertools
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from threading import Event, Lock, Thread
from typing import Any

from retune.carriers.errors import RetuneError, UsageError
from retune.pipeline.inputs import Progress
from retune.pipeline.records import Table

Work = Callable[[Progress], dict[str, Any]]
MAX_RUNNING = 4
MAX_ENDED = 32  # how many ended works can still be asked about


class StoppedError(Exception):
    """Raised inside a work when it is to stop; what is written by then is whole."""


@dataclass
class Task:
    """One work and how far it is. `state` is running, done, failed or stopped."""

    ident: str
    what: str
    state: str = "running"
    stage: str = ""
    fraction: float = 0.0
    result: dict[str, Any] = field(default_factory=dict)
    error: str = ""
    stop: Event = field(default_factory=Event)

    def view(self) -> Table:
        return {
            "id": self.ident,
            "what": self.what,
            "state": self.state,
            "stage": self.stage,
            "fraction": self.fraction,
            "result": self.result,
            "error": self.error,
        }

    def tell(self, stage: str, fraction: float) -> None:
        """The `Progress` of the work; raises StoppedError when it is to stop."""
        if self.stop.is_set():
            raise StoppedError
        self.stage, self.fraction = stage, round(fraction, 3)


class Tasks:
    """The works of one server."""

    def __init__(self) -> None:
        self._tasks: dict[str, Task] = {}
        self._threads: dict[str, Thread] = {}
        self._numbers = itertools.count(1)
        self._lock = Lock()

    def begin(self, what: str, work: Work) -> Task:
        """Start a work. Raises UsageError while `MAX_RUNNING` others run."""
        with self._lock:
            ended = [task.ident for task in self._tasks.values() if task.state != "running"]
            if len(self._tasks) - len(ended) >= MAX_RUNNING:
                raise UsageError(f"{MAX_RUNNING} works are running: wait for one, or stop it")
            for ident in ended[:-MAX_ENDED]:
                del self._tasks[ident], self._threads[ident]
            task = Task(str(next(self._numbers)), what)
            self._tasks[task.ident] = task
            self._threads[task.ident] = Thread(target=_run, args=(task, work), daemon=True)
            self._threads[task.ident].start()
        return task

    def find(self, ident: str) -> Task:
        """Raises UsageError when there is no such work."""
        task = self._tasks.get(ident)
        if task is None:
            raise UsageError(f"no work has the number {ident}")
        return task

    def stop_all(self, *, wait_s: float = 10.0) -> None:
        """Ask every work to stop, and wait until they have."""
        for task in list(self._tasks.values()):
            task.stop.set()
        for thread in list(self._threads.values()):
            thread.join(wait_s)


def _run(task: Task, work: Work) -> None:
    try:
        task.result = work(task.tell)
        task.state = "done"
        task.fraction = 1.0
    except StoppedError:
        task.state = "stopped"
    except RetuneError as error:
        task.state, task.error = "failed", " ".join(str(error).split())
    except BaseException as error:  # a panic of a library in Rust is no Exception
        traceback.print_exc()
        task.state, task.error = "failed", f"unexpected: {type(error).__name__}: {error}"
