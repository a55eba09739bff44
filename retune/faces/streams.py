"""The three standard streams made fit for use, however a process was started."""

from __future__ import annotations

import io
import os
import sys


def ready_streams() -> None:
    """Open to nowhere what was closed (`>&-`), so that no file takes its number and gets what a
    library says; let a letter that a terminal lacks be no error."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest number that is free: this one
    sys.stdout = sys.stdout or _writer(1)
    sys.stderr = sys.stderr or _writer(2)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def _writer(number: int) -> io.TextIOWrapper:
    return open(number, "w", encoding="utf-8", closefd=False)


def forget_readers() -> None:
    """Send what is left in the buffers nowhere: it has no reader, and Python would write it at its
    end."""
    with open(os.devnull, "wb") as nowhere:
        for stream in (sys.stdout, sys.stderr):
            os.dup2(nowhere.fileno(), stream.fileno())
