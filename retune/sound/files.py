"""Files: whole or not at all, hashed in a stream, and kept inside their folder."""

from __future__ import annotations

import errno
import hashlib
import os
import secrets
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any

if sys.platform != "win32":
    import fcntl

from retune.carriers.errors import InputError, OutputError, UsageError

_REASONS = {
    errno.ENOSPC: "the disk is full; free some space or write elsewhere",
    errno.EDQUOT: "the disk quota is used up; free some space or write elsewhere",
    errno.EROFS: "the disk is read-only; choose another output folder",
    errno.EACCES: "no permission to write there; choose another output folder",
    errno.EPERM: "no permission to write there; choose another output folder",
    errno.ENOENT: "its folder does not exist; create it first",
    errno.ENOTDIR: "part of its path is a file, not a folder; choose another output folder",
    errno.EISDIR: "a folder of that name is in the way; choose another name",
    errno.ENAMETOOLONG: "the name is too long; choose a shorter one",
    errno.EFBIG: "the file system cannot hold a file of that size; write elsewhere",
    errno.EEXIST: "a file of that name is in the way; choose another name",
    errno.ELOOP: "its path is a loop of symbolic links; choose another output folder",
}


_UNFINISHED = ".retune-"
FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


def write_reason(error: OSError) -> str:
    """Why a write failed and what to do, in words."""
    known = _REASONS.get(error.errno or 0)
    return known or f"{error.strerror or error}; choose another output folder"


def make_folder(folder: str | Path) -> None:
    """Make a folder and those above it, unless it is there. Raises OutputError."""
    try:
        Path(folder).mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"cannot make the folder {folder}: {write_reason(error)}") from error


@contextmanager
def atomic_write(path: str | Path, mode: str = "wb") -> Iterator[IO[Any]]:
    """A file that appears under `path` only once it is whole.

    Yields a temporary file in the same folder (`mode` "wb", or "w" for UTF-8 text with "\\n"
    line ends); on leaving it is flushed to disk and renamed over `path`, on an error removed.
    A symbolic link is written through, and an existing file keeps its permissions.

    Raises OutputError when the file cannot be written.
    """
    text: dict[str, Any] = {}
    if mode == "w":  # a file name may hold bytes that are no UTF-8: "?" stands for them
        text = {"encoding": "utf-8", "errors": "replace", "newline": "\n"}
    try:
        target = Path(os.path.realpath(path))
        if target.is_dir():
            raise IsADirectoryError(errno.EISDIR, "is a folder")
        if target.exists() and not target.is_file():  # a rename would do away with a device
            raise OSError("it is not a regular file")
        with temporary_in(target.parent) as temporary:
            with open(temporary, mode, **text) as stream:
                yield stream
                stream.flush()
                os.fsync(stream.fileno())
            if target.exists():
                os.chmod(temporary, target.stat().st_mode & 0o7777)
            os.replace(temporary, target)
            _sync_folder(target.parent)
    except OSError as error:
        raise OutputError(f"cannot write {path}: {write_reason(error)}") from error


@contextmanager
def temporary_in(folder: Path, *, suffix: str = "") -> Iterator[Path]:
    """A new, empty file in `folder`, to be written and renamed; what was not renamed is removed.

    What a killed process left there is removed first. A lock, which ends with its process, tells
    such a file from one at work. Raises OSError.
    """
    clear_unfinished(folder)
    path, handle = _begin(folder, suffix)
    try:
        yield path
    finally:
        with suppress(OSError):
            path.unlink(missing_ok=True)
        os.close(handle)


def unfinished_name(folder: Path, *, suffix: str = "") -> Path:
    """A new name in `folder` that `clear_unfinished` knows for unfinished."""
    return folder / f"{_UNFINISHED}{secrets.token_hex(8)}.tmp{suffix}"


def _begin(folder: Path, suffix: str) -> tuple[Path, int]:
    while True:
        path = unfinished_name(folder, suffix=suffix)
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o666)
        if _lock(handle) != "taken" and path.exists():
            return path, handle
        os.close(handle)  # another process took it for a leftover before it was locked


def _lock(handle: int) -> str:
    """Whether the file is now "ours", "taken" by another process, or has no lock ("none")."""
    if sys.platform == "win32":  # where an open file cannot be removed
        return "none"
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return "taken"
    except OSError:
        return "none"
    return "ours"


def clear_unfinished(folder: str | Path) -> None:
    """Remove from a folder what processes left there that were killed as they wrote."""
    for path in Path(folder).glob(f"{_UNFINISHED}*.tmp*"):
        with suppress(OSError):
            handle = os.open(path, os.O_RDWR | getattr(os, "O_NONBLOCK", 0))
            try:
                if _lock(handle) == "ours":
                    path.unlink(missing_ok=True)
            finally:
                os.close(handle)


def _sync_folder(folder: Path) -> None:
    """Make a rename durable where the system lets a folder be opened (not on Windows)."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def sha256_file(path: str | Path) -> str:
    """SHA-256 of a file's bytes as 64 hex digits, read in blocks."""
    digest = hashlib.sha256()
    with open(path, "rb") as stream:
        while block := stream.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()


def safe_child_path(folder: str | Path, relative: str) -> Path:
    """The absolute path of `relative` inside `folder`, all symbolic links followed.

    Raises InputError for anything that leaves the folder: an absolute path, a drive letter,
    a backslash (a separator on Windows), "..", or a link that points outside.
    """
    said = repr(relative if len(relative) <= 80 else relative[:77] + "...")
    if not relative.strip() or "\0" in relative:
        raise InputError(f"{said} is not a file name; give a path inside the song's folder")
    if "\\" in relative:
        raise InputError(f'{said} holds a backslash; write folders with "/"')
    if relative.startswith(("/", "~")) or (len(relative) > 1 and relative[1] == ":"):
        raise InputError(f"{said} is absolute; give a path inside the song's folder")
    if ".." in relative.split("/"):
        raise InputError(f"{said} leaves the song's folder; move the file into it")
    try:
        root = Path(folder).resolve(strict=True)
        child = (root / relative).resolve()
    except (OSError, RuntimeError) as error:  # a loop of links: RuntimeError before 3.13
        raise InputError(f"{said} cannot be followed; is it a loop of links?") from error
    if any(map(os.path.islink, (child, *child.parents))):  # 3.13 leaves a loop unresolved
        raise InputError(f"{said} cannot be followed; is it a loop of links?")
    if root not in child.parents:
        raise InputError(f"{said} leads out of the song's folder; move the file into it")
    return child


def missing_as(path: str | Path) -> str:
    """Why no file can be read at `path`, in words that follow its name; "" for a regular file."""
    if os.path.isfile(path):
        return ""
    if os.path.isdir(path):
        return "is a folder"
    if os.path.islink(path):
        return "is a link that leads to no file"
    return "is not a regular file" if os.path.exists(path) else "does not exist"


def same_file(first: str | Path, second: str | Path) -> bool:
    """Whether two paths are one file on disk (by symbolic or hard link too)."""
    try:
        return os.path.samefile(first, second)
    except OSError:
        return os.path.realpath(first) == os.path.realpath(second)


def refuse_inputs(path: str | Path, inputs: Iterable[str | Path], *, option: str = "--out") -> None:
    """Raise UsageError where writing to `path`, as `option` says, would fall on one of `inputs`, by
    whatever name."""
    if any(same_file(path, given) for given in inputs):
        raise UsageError(f"{path} is an input; choose another {option}")


def case_clash(names: Iterable[str]) -> tuple[str, str] | None:
    """The first two names that a case-insensitive file system takes for one, or None."""
    seen: dict[str, str] = {}
    for name in names:
        folded = name.casefold()
        if folded in seen:
            return seen[folded], name
        seen[folded] = name
    return None
