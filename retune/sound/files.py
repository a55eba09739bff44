"""Files: whole or not at all, hashed in a stream, and kept inside their folder."""

from __future__ import annotations

import errno
import hashlib
import os
import re
import secrets
import shutil
import stat
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

if sys.platform == "linux":
    import fcntl

from retune.carriers.errors import InputError, OutputError, UsageError
from retune.sound.folders import HeldFolder, as_said, held, refuse_links, try_lock, write_reason

_FICLONE = 0x40049409  # linux/fs.h
MOST_BYTES = 70_000_000_000
"""Six hours in stereo at 192 kHz and 64 bits are 66 GB. A file of holes is of any length, though it
takes no room on the disk, and would be read for as long."""
_MOST_OF_PATH = 4096  # PATH_MAX of Linux
_UNFINISHED = re.compile(r"\.retune-[0-9a-f]{16}\.tmp(\.[A-Za-z0-9]{1,5})?")


@contextmanager
def atomic_write(
    path: str | Path,
    mode: str = "wb",
    *,
    in_place_of_others: bool = True,
    at_last: Callable[[int], object] = lambda handle: None,
) -> Iterator[IO[Any]]:
    """A file that appears under `path` only once it is whole.

    Yields a temporary file in the same folder (`mode` "wb", or "w" for UTF-8 text with "\\n"
    line ends); on leaving it is flushed to disk and renamed over `path`, on an error removed.
    `at_last` is called with its descriptor between the two, and may refuse by an error.
    An existing file keeps its permissions and labels; with `in_place_of_others` false it is never
    replaced.
    Nothing is written through a symbolic link, not even one that the path ends in: whoever was
    given a path by the user makes it a `named_file` or a file in a `named_folder` first.

    Raises OutputError when the file cannot be written.
    """
    text: dict[str, Any] = {}
    if mode == "w":  # a file name may hold bytes that are no UTF-8: "?" stands for them
        text = {"encoding": "utf-8", "errors": "replace", "newline": "\n"}
    path = Path(path)
    try:
        with held(path.parent) as folder, unfinished_in(folder) as part:
            _refuse_what_is_there(folder, path, may_be=in_place_of_others)
            with open(part.handle, mode, closefd=False, **text) as stream:
                yield stream
                stream.flush()
                os.fsync(stream.fileno())
                at_last(stream.fileno())
            part.let_go()
            _take_place(folder, part.name, path, in_place_of_others=in_place_of_others)
            folder.sync()
    except OSError as error:
        raise OutputError(f"cannot write {as_said(path)}: {write_reason(error)}") from error


def _refuse_what_is_there(folder: HeldFolder, path: Path, *, may_be: bool) -> os.stat_result | None:
    """What stands under the name now, a regular file that may be changed, or nothing; all else is
    refused."""
    status = folder.status(path.name)
    if status is None:
        return None
    if stat.S_ISLNK(status.st_mode):
        refuse_links(folder.path / path.name)
    if stat.S_ISDIR(status.st_mode):
        raise IsADirectoryError(errno.EISDIR, "is a folder")
    if not stat.S_ISREG(status.st_mode):  # a rename would do away with a device
        raise OSError("it is not a regular file")
    if not may_be:
        raise FileExistsError(errno.EEXIST, "is there")
    if not status.st_mode & 0o222:  # a rename would not mind
        raise OutputError(
            f"{as_said(folder.path / path.name)} is read-only and left as it is: make it writable, "
            "or choose another name"
        )
    return status


def _take_place(folder: HeldFolder, name: str, path: Path, *, in_place_of_others: bool) -> None:
    """Give a whole file its name, and what belongs to whatever had it besides the content."""
    status = _refuse_what_is_there(folder, path, may_be=in_place_of_others)
    if in_place_of_others:
        if status is not None:
            folder.set_mode(name, status)
            _copy_labels(folder, path.name, name)
        folder.rename(name, path.name)
    else:
        take_free_name(folder, name, path.name)


_LABELS = re.compile(r"user\..+|system\.posix_acl_access")


def _copy_labels(folder: HeldFolder, old: str, new: str) -> None:
    """Give a file the extended attributes of another that are the user's: labels, and the list of
    who may; where the system has such and lets us."""
    if sys.platform == "linux":
        with suppress(OSError), folder.opened(old) as source, folder.opened(new) as target:
            for name in filter(_LABELS.fullmatch, os.listxattr(source)):
                os.setxattr(target, name, os.getxattr(source, name))


def take_free_name(folder: HeldFolder, name: str, wanted: str) -> None:
    """Give the file `name` a name that nothing has. Raises FileExistsError, and other OSErrors."""
    try:
        folder.link(folder, name, wanted)
    except FileExistsError:
        raise
    except OSError:  # no hard links, as on a memory stick: the name is claimed, then replaced
        os.close(folder.open(wanted, os.O_WRONLY | os.O_CREAT | os.O_EXCL))
        try:
            folder.rename(name, wanted)
        except OSError:
            folder.remove(wanted)
            raise


def copy_file(
    source: Path, target: Path, *, look_again: Callable[[], object] = lambda: None
) -> None:
    """Make `target` a file of its own with the content of `source`: one that shares its blocks
    until either is changed, where the file system can do that. `look_again` is called right before
    it takes the place of what stands there by then, and may refuse that. Raises OutputError."""
    try:
        with (
            open(source, "rb") as written,
            atomic_write(target, at_last=lambda _: look_again()) as stream,
        ):
            if not _share_blocks(written, stream):
                shutil.copyfileobj(written, stream, 1 << 20)
    except OSError as error:
        raise OutputError(f"cannot write {as_said(target)}: {write_reason(error)}") from error


def _share_blocks(source: IO[bytes], target: IO[bytes]) -> bool:
    """Whether the new file now shares the blocks of the other (btrfs, XFS and others)."""
    if sys.platform != "linux":
        return False
    try:
        fcntl.ioctl(target.fileno(), _FICLONE, source.fileno())
    except OSError:
        return False
    return True


@dataclass
class Unfinished:
    """A file that is being written: its name in `folder`, and its open descriptor."""

    folder: HeldFolder
    name: str
    handle: int
    is_open: bool = True

    def close(self) -> None:
        """Close it, once."""
        if self.is_open:
            self.is_open = False
            os.close(self.handle)

    def let_go(self) -> None:
        """To be called before it is renamed, linked or removed: closes it where no open file can
        be (Windows). Elsewhere it stays open for its lock."""
        if self.folder.handle is None:
            self.close()


@contextmanager
def unfinished_in(folder: HeldFolder, *, suffix: str = "") -> Iterator[Unfinished]:
    """A new, empty file in `folder`, to be written, let go of and renamed; what was not renamed is
    removed.

    What a killed process left there is removed first. A lock, which ends with its process, tells
    such a file from one at work. Raises OSError.
    """
    _clear(folder)
    part = Unfinished(folder, *_begin(folder, suffix))
    try:
        yield part
    finally:
        part.let_go()
        with suppress(OSError):
            folder.remove(part.name)
        part.close()


@contextmanager
def temporary_in(folder: Path, *, suffix: str = "") -> Iterator[Path]:
    """The path of a new, empty file in `folder`, as `unfinished_in`."""
    with held(folder) as place, unfinished_in(place, suffix=suffix) as part:
        part.let_go()
        yield folder / part.name


def _unfinished_name(suffix: str = "") -> str:
    return f".retune-{secrets.token_hex(8)}.tmp{suffix}"


def _begin(folder: HeldFolder, suffix: str) -> tuple[str, int]:
    while True:
        name = _unfinished_name(suffix)
        handle = folder.open(name, os.O_RDWR | os.O_CREAT | os.O_EXCL)
        if try_lock(handle) != "taken" and folder.status(name) is not None:
            return name, handle
        os.close(handle)  # another process took it for a leftover before it was locked


def clear_unfinished(folder: str | Path) -> None:
    """Remove from a folder what processes left there that were killed as they wrote; nothing
    through a link."""
    with suppress(OSError, OutputError), held(folder) as place:
        _clear(place)


def _clear(folder: HeldFolder) -> None:
    for name in filter(_UNFINISHED.fullmatch, folder.names()):
        with suppress(OSError):
            handle = folder.open(name, os.O_RDWR | getattr(os, "O_NONBLOCK", 0))
            try:
                if stat.S_ISREG(os.fstat(handle).st_mode) and try_lock(handle) == "ours":
                    folder.remove(name)
            finally:
                os.close(handle)


def sha256_file(path: str | Path) -> str:
    """SHA-256 of a file's bytes as 64 hex digits, read in blocks."""
    digest = hashlib.sha256()
    with open_regular(path) as (stream, left):
        while block := stream.read(min(left, 1 << 20)):
            digest.update(block)
            left -= len(block)
    return digest.hexdigest()


@contextmanager
def open_regular(path: str | Path) -> Iterator[tuple[IO[bytes], int]]:
    """A regular file to read, and how many bytes it says it has: no more are to be read, since a
    file of the system, such as those in /proc, may say 0 and never end.

    Raises OSError for anything else, and for one of more than `MOST_BYTES`; does not wait for the
    writer of a pipe.
    """
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    with open(os.open(path, flags), "rb") as stream:
        status = os.fstat(stream.fileno())
        if not stat.S_ISREG(status.st_mode):
            raise OSError("it is not a regular file")
        if status.st_size > MOST_BYTES:
            raise OSError(errno.EFBIG, "it is larger than six hours of any sound")
        yield stream, status.st_size


def safe_child_path(folder: str | Path, relative: str) -> Path:
    """The absolute path of `relative` inside `folder`, all symbolic links followed.

    Raises InputError for anything that leaves the folder: an absolute path, a drive letter,
    a backslash (a separator on Windows), "..", or a link that points outside.
    """
    said = repr(relative if len(relative) <= 80 else relative[:77] + "...")
    if not relative.strip() or "\0" in relative:
        raise InputError(f"{said} is not a file name; give a path inside the song's folder")
    if len(relative) > _MOST_OF_PATH:
        raise InputError(f"{said} is longer than {_MOST_OF_PATH} characters; give a shorter name")
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
