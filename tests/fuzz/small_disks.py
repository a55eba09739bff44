"""Three kinds of disks that have no room: refused at the n-th step, no file longer than so many
bytes, and a file system of limited size."""

from __future__ import annotations

import ctypes
import errno
import mmap
import os
import resource
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from retune.sound import files

PAGE_BYTES = 4096
_NEW_NAMESPACE = 0x00020000  # CLONE_NEWNS, linux/sched.h


class _Full:
    """Counts what takes room (files begun, writes, renames, folders) and refuses from one on."""

    def __init__(self, first: int, met: mmap.mmap) -> None:
        self.left, self.met = first, met

    def step(self) -> None:
        self.left -= 1
        if self.left < 0:
            self.met[0] = 1
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def open(self, *given: Any, **options: Any) -> Any:
        stream = open(*given, **options)  # noqa: SIM115 - as the caller closes it
        if "w" not in stream.mode and "+" not in stream.mode:
            return stream
        return _Counted(stream, self)

    def hook(self, event: str, given: tuple[Any, ...]) -> None:
        is_new = event == "open" and isinstance(given[2], int) and given[2] & os.O_CREAT
        if (is_new and "/dev" not in str(given[0])) or event in ("os.rename", "os.mkdir"):
            self.step()


class _Counted:
    def __init__(self, stream: Any, full: _Full) -> None:
        self._stream, self._full = stream, full

    def write(self, data: Any) -> Any:
        self._full.step()
        return self._stream.write(data)

    def __enter__(self) -> _Counted:
        return self

    def __exit__(self, *given: object) -> None:
        self._stream.__exit__(*given)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def full_at_step(first: int, met: mmap.mmap) -> Callable[[], None]:
    """What a child does first, so that its disk is full from that step on; `met` tells that it
    came so far."""

    def prepare() -> None:
        full = _Full(first, met)
        files.open = full.open  # type: ignore[attr-defined]
        sys.addaudithook(full.hook)

    return prepare


def full_at_byte(n_bytes: int) -> Callable[[], None]:
    """What a child does first, so that none of its files grows longer; it holds for every library,
    too, since the system refuses the write itself (EFBIG)."""
    return lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (n_bytes, n_bytes))


@contextmanager
def limited_disk(folder: Path) -> Iterator[Callable[[int], None] | None]:
    """A file system in memory at `folder`, seen by this process and its children alone; yields what
    leaves it so many free bytes. None where the system does not let us (it wants root and Linux).
    """
    folder.mkdir(parents=True, exist_ok=True)
    if not _mounted(folder):
        yield None
        return
    try:

        def leave(free_bytes: int) -> None:
            disk = os.statvfs(folder)
            used = (disk.f_blocks - disk.f_bfree) * disk.f_frsize
            size = used + max(free_bytes // PAGE_BYTES, 0) * PAGE_BYTES
            _mount("-o", f"remount,size={size}", str(folder))

        yield leave
    finally:
        subprocess.run(["umount", str(folder)], check=False, capture_output=True)


def _mounted(folder: Path) -> bool:
    if not sys.platform.startswith("linux") or os.geteuid():
        return False
    if ctypes.CDLL(None, use_errno=True).unshare(_NEW_NAMESPACE):
        return False
    try:
        _mount("--make-rprivate", "/")
        _mount("-t", "tmpfs", "-o", "size=256m", "tmpfs", str(folder))
    except (OSError, subprocess.CalledProcessError):
        return False
    return True


def _mount(*words: str) -> None:
    subprocess.run(["mount", *words], check=True, capture_output=True)
