"""Folders that are written into: held open, and never reached through a symbolic link.

A folder from somebody else may hold links that lead to anything of the user's. Only what the user
names may be one: `named_folder` and `named_file` follow it, once, where a command begins. From
there on every part of a path must be what it seems; the first that is a link is refused.
"""

from __future__ import annotations

import errno
import os
import re
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

if sys.platform != "win32":
    import fcntl

from retune.carriers.errors import OutputError, UsageError
from retune.carriers.text import lost_on_windows

_REASONS = {
    errno.ENOSPC: "the disk is full; free some space or write elsewhere",
    errno.EDQUOT: "the disk quota is used up; free some space or write elsewhere",
    errno.EROFS: "the disk is read-only; choose another output folder",
    errno.EACCES: "no permission to write there; allow it, or choose another output folder",
    errno.EPERM: "no permission to write there; allow it, or choose another output folder",
    errno.ENOENT: "its folder does not exist or has gone; create it first",
    errno.ESTALE: "its folder has gone; create it again",
    errno.ENOTDIR: "part of its path is a file, not a folder; choose another output folder",
    errno.EISDIR: "a folder of that name is in the way; choose another name",
    errno.ENAMETOOLONG: "the name is too long; choose a shorter one",
    errno.EFBIG: "the file system cannot hold a file of that size; write elsewhere",
    errno.EBUSY: "another program has it open; close it there, or choose another name",
    errno.EEXIST: "a file of that name is in the way; choose another name",
    errno.ELOOP: "its path is a loop of symbolic links; choose another output folder",
}
FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_WALKS = hasattr(os, "O_PATH")  # Linux: a folder is held without the right to list it
_NO_LINK = getattr(os, "O_NOFOLLOW", 0)


def write_reason(error: OSError) -> str:
    """Why a write failed and what to do, in words."""
    known = _REASONS.get(error.errno or 0)
    return known or f"{error.strerror or error}; choose another output folder"


_ADDRESS = re.compile(r"[a-zA-Z][a-zA-Z0-9+.-]+:/")  # one letter alone is a drive of Windows


def named_folder(path: str | Path) -> Path:
    """The absolute path of an output folder that the user named, links in it followed.

    Raises OutputError for a loop of links, UsageError for a new folder that could not be taken to
    another system, and for the address of a store, in which no file can be renamed into its place,
    linked to or held.
    """
    _refuse_address(path)
    found = Path(os.path.realpath(path))
    if any(map(os.path.islink, (found, *found.parents))):
        raise OutputError(f"cannot write to {path}: {_REASONS[errno.ELOOP]}")
    for part in (found, *found.parents):
        _refuse_new_name(part)
    return found


def _refuse_new_name(path: Path) -> None:
    reason = lost_on_windows(path.name)
    if path.name == "~":  # as no shell reads it in --out=~/x; whoever removes it later loses all
        reason = "is your home folder to a shell, and no name for a new one"
    if reason and not path.exists():
        raise UsageError(f'cannot write to {as_said(path)}: "{path.name}" {reason}; rename it')


def _refuse_address(path: str | Path) -> None:
    if _ADDRESS.match(str(path)):
        raise UsageError(
            f"{path} is an address; give a folder, and on a cluster one of the storage that all "
            "machines mount at the same path (retune help batch)"
        )


def as_said(path: str | Path) -> str:
    """A path for messages: from the current folder, where it is below that."""
    try:
        here = os.getcwd()
    except OSError:
        return str(path)
    path = os.path.abspath(path)
    return os.path.relpath(path, here) if path.startswith(here + os.sep) else path


def named_file(path: str | Path) -> Path:
    """The absolute path of an output file that the user named, links to its folder followed."""
    _refuse_address(path)
    path = Path(os.path.abspath(path))
    _refuse_new_name(path)
    return named_folder(path.parent) / path.name


def place_in(folder: str | Path, name: str) -> Path:
    """The path of `name` (parts joined by "/") in a folder that the user named.

    Raises OutputError where a part of `name` is a symbolic link.
    """
    path = named_folder(folder) / name
    refuse_links(path)
    return path


@dataclass(frozen=True)
class HeldFolder:
    """A folder that stays the same while it is held, whatever its path comes to mean.

    `handle` is an open descriptor, None where the system has none for folders (Windows): there
    the path is checked once more before a file gets its name.
    """

    path: Path
    handle: int | None

    def open(self, name: str, flags: int, mode: int = 0o666) -> int:
        """A descriptor of the file `name` in it, never through a link."""
        if self.handle is None:
            return os.open(self.path / name, flags | getattr(os, "O_BINARY", 0), mode)
        return os.open(name, flags | _NO_LINK, mode, dir_fd=self.handle)

    def status(self, name: str) -> os.stat_result | None:
        """What stands under `name` (a link itself, not what it leads to); None for nothing."""
        try:
            if self.handle is None:
                return os.lstat(self.path / name)
            return os.stat(name, dir_fd=self.handle, follow_symlinks=False)
        except FileNotFoundError:
            return None

    def rename(self, old: str, new: str) -> None:
        """Give the file `old` the name `new`, in place of what has it."""
        if self.handle is None:
            refuse_links(self.path)
            replace_patiently(self.path / old, self.path / new)
        else:
            os.rename(old, new, src_dir_fd=self.handle, dst_dir_fd=self.handle)

    def link(self, source: HeldFolder, old: str, new: str) -> None:
        """Make `new` another name of the file `old` in `source`."""
        if self.handle is None:
            os.link(source.path / old, self.path / new)
        else:
            os.link(
                old,
                new,
                src_dir_fd=source.handle,
                dst_dir_fd=self.handle,
                follow_symlinks=False,
            )

    def set_mode(self, name: str, status: os.stat_result) -> None:
        """Give a file the permissions, and where the system lets us the owner, of another."""
        mode = status.st_mode & 0o7777
        if self.handle is None:
            os.chmod(self.path / name, mode)
            return
        with self.opened(name) as file:
            with suppress(OSError):
                os.fchown(file, status.st_uid, status.st_gid)
            os.fchmod(file, mode)

    @contextmanager
    def opened(self, name: str) -> Iterator[int]:
        """A descriptor of a file in it to look at, for as long as that takes."""
        handle = self.open(name, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
        try:
            yield handle
        finally:
            os.close(handle)

    def remove(self, name: str) -> None:
        """Remove the file `name`, if it is there."""
        with suppress(FileNotFoundError):
            if self.handle is None:
                os.unlink(self.path / name)
            else:
                os.unlink(name, dir_fd=self.handle)

    def names(self) -> list[str]:
        """The names of what it holds."""
        if self.handle is None:
            return os.listdir(self.path)
        with self.opened(".") as handle:
            return os.listdir(handle)

    def sync(self) -> None:
        """Make a rename durable where the system lets a folder be opened."""
        if self.handle is not None:
            with suppress(OSError), self.opened(".") as handle:
                os.fsync(handle)


_PATIENCE_S = (0.01, 0.02, 0.05, 0.1, 0.2, 0.4)


def replace_patiently(old: Path, new: Path) -> None:
    """`os.replace`, tried again for a moment: on Windows it is refused while anything has either
    file open, be it a scanner for viruses. Raises OSError."""
    for wait_s in _PATIENCE_S:
        with suppress(PermissionError):
            os.replace(old, new)
            return
        time.sleep(wait_s)
    try:
        os.replace(old, new)
    except PermissionError as error:
        raise OSError(errno.EBUSY, "another program has it open") from error


@contextmanager
def held(path: str | Path, *, make: bool = False) -> Iterator[HeldFolder]:
    """The folder at `path`, held open; `make` makes it and those above it.

    Raises
    ------
    OutputError
        A part of its path is a symbolic link.
    OSError
        It is not there, or no folder.
    """
    folder = Path(os.path.abspath(path))
    handle = _walk(folder, make=make) if _WALKS else _checked(folder, make=make)
    try:
        yield HeldFolder(folder, handle)
    finally:
        if handle is not None:
            os.close(handle)


def _walk(folder: Path, *, make: bool) -> int:
    """A descriptor of a folder, reached part by part, each from the one before."""
    flags = os.O_PATH | os.O_DIRECTORY | _NO_LINK
    handle = os.open(folder.anchor, flags)
    for depth, name in enumerate(folder.parts[1:], 2):
        before = handle
        try:
            if make:
                _make_at(name, before)
            handle = os.open(name, flags, dir_fd=before)
        except OSError as error:
            if error.errno in (errno.ENOTDIR, errno.ELOOP):
                refuse_links(Path(*folder.parts[:depth]))
            raise
        finally:
            os.close(before)
    return handle


def _make_at(name: str, handle: int) -> None:
    try:
        os.stat(name, dir_fd=handle, follow_symlinks=False)
    except FileNotFoundError:
        with suppress(FileExistsError):
            os.mkdir(name, dir_fd=handle)


def _checked(folder: Path, *, make: bool) -> int | None:
    refuse_links(folder)
    if make:
        folder.mkdir(parents=True, exist_ok=True)
        refuse_links(folder)
    if not folder.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, "is no folder")
    if sys.platform == "win32":
        return None
    return os.open(folder, os.O_RDONLY | os.O_DIRECTORY | _NO_LINK)


def refuse_links(path: str | Path) -> None:
    """Raise OutputError where `path` or a folder above it is a symbolic link (or, on Windows, a
    junction)."""
    path = Path(os.path.abspath(path))
    is_junction: Callable[[Path], bool] = getattr(os.path, "isjunction", lambda _: False)
    for part in (*reversed(path.parents), path):
        if os.path.islink(part) or is_junction(part):
            raise OutputError(
                f"{as_said(part)} is a symbolic link, and nothing is written through one that was "
                "not named: remove it, or name the place it leads to"
            )


def make_folder(folder: str | Path) -> None:
    """Make a folder and those above it, unless it is there. Raises OutputError."""
    try:
        with held(folder, make=True):
            pass
    except OSError as error:
        raise OutputError(
            f"cannot make the folder {as_said(folder)}: {write_reason(error)}"
        ) from error


# --- one writer at a time --------------------------------------------------------------------


def try_lock(handle: int) -> str:
    """Whether the open file (or folder) is now "ours", "taken" by another process, or has no lock
    ("none"). The lock ends with its process.

    flock of POSIX; Windows, where an open file can be neither removed nor renamed over, has none.
    """
    if sys.platform == "win32":
        return "none"
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return "taken"
    except OSError:
        return "none"
    return "ours"


@contextmanager
def sole_writer(folder: str | Path) -> Iterator[None]:
    """Nobody else who asks likewise writes to `folder` (made if need be) meanwhile.

    Raises OutputError while another does. It is the folder itself that is locked: nothing is
    left there.
    """
    make_folder(folder)
    try:
        with held(folder) as place:
            handle = None if place.handle is None else place.open(".", os.O_RDONLY)
            try:
                if handle is not None and try_lock(handle) == "taken":
                    raise OutputError(
                        f"another run is writing to {as_said(folder)}; wait for it, or choose "
                        "another folder"
                    )
                yield
            finally:
                if handle is not None:
                    os.close(handle)
    except OSError as error:
        raise OutputError(f"cannot write to {as_said(folder)}: {write_reason(error)}") from error


@contextmanager
def locked_file(path: Path, *, wait_s: float = 30.0) -> Iterator[None]:
    """Nobody else who asks likewise replaces the file at `path` meanwhile.

    The file that stands there is locked itself, and looked at again once it is: another may have
    taken its place. Windows lets no open file be replaced, so that there a file beside it is
    locked (msvcrt). Raises OSError when there is none, TimeoutError after `wait_s`.
    """
    until = time.monotonic() + wait_s
    while True:
        handle = _lock_handle(path)
        try:
            if _is_locked(handle) and _is_still(path, handle):
                yield
                return
        finally:
            os.close(handle)
        if time.monotonic() > until:
            raise TimeoutError(errno.ETIMEDOUT, "another program keeps it locked")
        time.sleep(0.002)


def _lock_handle(path: Path) -> int:
    if sys.platform == "win32":
        return os.open(path.with_name(f".{path.name}.lock"), os.O_RDWR | os.O_CREAT)
    return os.open(path, os.O_RDONLY | os.O_NONBLOCK)


def _is_locked(handle: int) -> bool:
    if sys.platform == "win32":
        import msvcrt

        locking: Any = msvcrt.locking
        try:
            locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True
    return try_lock(handle) != "taken"


def _is_still(path: Path, handle: int) -> bool:
    return sys.platform == "win32" or os.path.samestat(os.fstat(handle), os.stat(path))
