"""The three standard streams made fit for use, however a process was started."""

from __future__ import annotations

import codecs
import io
import os
import sys

PLAIN = str.maketrans("♭♯→←↑↓△−–—…‘’“”·•×", "b#><^v!---~''\"\".*x")
"""What stands for a sign that a console lacks: one for one, so that columns stay columns."""


def _plainly(error: UnicodeError) -> tuple[str, int]:
    """A sign that is not in an encoding by one that is, so that a flat is no sharp there."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    lacking = error.object[error.start : error.end].translate(PLAIN)
    return "".join(sign if sign.isascii() else "?" for sign in lacking), error.end


codecs.register_error("retune-plainly", _plainly)


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
            stream.reconfigure(errors="retune-plainly")


def _writer(number: int) -> io.TextIOWrapper:
    return open(number, "w", encoding="utf-8", closefd=False)


def forget_readers() -> None:
    """Send what is left in the buffers nowhere: it has no reader, and Python would write it at its
    end."""
    with open(os.devnull, "wb") as nowhere:
        for stream in (sys.stdout, sys.stderr):
            os.dup2(nowhere.fileno(), stream.fileno())
