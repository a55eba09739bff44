"""Work that takes a while: in a thread of its own, with progress, and stopped when asked."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, field
from threading import Event, Thread
from typing import Any

from retune.core.errors import RetuneError, UsageError
from retune.pipeline.opening import Progress

Work = Callable[[Progress], dict[str, Any]]
MAX_RUNNING = 4


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

    def view(self) -> dict[str, Any]:
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
        self._threads: list[Thread] = []
        self._numbers = itertools.count(1)

    def begin(self, what: str, work: Work) -> Task:
        """Start a work. Raises UsageError while `MAX_RUNNING` others run."""
        if sum(task.state == "running" for task in self._tasks.values()) >= MAX_RUNNING:
            raise UsageError(f"{MAX_RUNNING} works are running: wait for one, or stop it")
        task = Task(str(next(self._numbers)), what)
        self._tasks[task.ident] = task
        thread = Thread(target=_run, args=(task, work), daemon=True)
        self._threads.append(thread)
        thread.start()
        return task

    def find(self, ident: str) -> Task:
        """Raises UsageError when there is no such work."""
        if ident not in self._tasks:
            raise UsageError(f"no work has the number {ident}")
        return self._tasks[ident]

    def stop_all(self, *, wait_s: float = 10.0) -> None:
        """Ask every work to stop, and wait until they have."""
        for task in self._tasks.values():
            task.stop.set()
        for thread in self._threads:
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
    except Exception as error:
        task.state, task.error = "failed", f"unexpected: {type(error).__name__}: {error}"
