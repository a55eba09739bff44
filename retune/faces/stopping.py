"""How a signal stops a command: as Ctrl-C does, so that what is half-written goes."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any


def let_signals_stop() -> None:
    """Let a request to end (SIGTERM), or a terminal that closes (SIGHUP), raise KeyboardInterrupt
    as Ctrl-C does. A signal that is ignored (as under nohup) or taken already stays so."""

    def stop(number: int, frame: Any) -> None:
        raise KeyboardInterrupt(number)

    if threading.current_thread() is not threading.main_thread():
        return
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is signal.SIG_DFL:
            signal.signal(number, stop)


def end_when_hung_up() -> None:
    """For a server that minds SIGTERM itself: let a terminal that closes (SIGHUP) be the same."""
    number = getattr(signal, "SIGHUP", None)
    is_main = threading.current_thread() is threading.main_thread()
    if is_main and number is not None and signal.getsignal(number) is not signal.SIG_IGN:
        signal.signal(number, lambda _, frame: signal.raise_signal(signal.SIGTERM))


def stopped_by(stop: KeyboardInterrupt) -> int:
    """The exit code of a command that was stopped: 128 plus the number of the signal, as shells
    count it; 130 for Ctrl-C."""
    return 128 + int(stop.args[0] if stop.args else signal.SIGINT)


@contextmanager
def stoppable_once() -> Iterator[None]:
    """Let Ctrl-C and a request to end (SIGTERM) stop the run once; a second of them, which a
    terminal or a scheduler often sends at once, does not break off the summary."""
    asked = 0

    def stop(number: int, frame: Any) -> None:
        nonlocal asked
        asked += 1
        if asked != 2:
            raise KeyboardInterrupt(number)

    before = {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        # Whoever asked once may ask again, up to the last moment of a process that ends anyway.
        for number, handler in before.items():
            signal.signal(number, signal.SIG_IGN if asked else handler)
