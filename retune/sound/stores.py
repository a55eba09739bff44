"""File stores named by an address (`s3://bucket/songs`), through fsspec: files are fetched into a
folder of this machine, worked on there, and what was made is sent back.

A file is put under a name of its own and moved to its own name when it is whole: another reader
finds all of it or nothing, wherever the store moves a file in one step.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from retune.carriers.errors import InputError, OutputError, RetuneError, UsageError
from retune.carriers.install import how_to_add
from retune.carriers.text import printable
from retune.sound.files import safe_child_path

_ADDRESS = re.compile(r"[A-Za-z][A-Za-z0-9+.-]+://")
_PART = ".part-"


def is_address(text: str) -> bool:
    """Whether a place is named by an address, and not by a path of this machine.

    >>> is_address("s3://bucket/songs"), is_address("C:/songs"), is_address("songs")
    (True, False, False)
    """
    return bool(_ADDRESS.match(text))


def below(address: str, *names: str) -> str:
    """The address of something inside a folder of a store."""
    return "/".join([address.rstrip("/"), *names])


@dataclass(frozen=True)
class Store:
    """A folder or file of a store: `system` as fsspec has it, `path` in its own writing."""

    address: str
    system: Any
    path: str

    def at(self, *names: str) -> Store:
        """Something inside this folder."""
        return Store(below(self.address, *names), self.system, below(self.path, *names))


def store_at(address: str) -> Store:
    """The store of an address.

    Raises
    ------
    UsageError
        fsspec, or what it needs for this kind of store, is not installed; no such kind is known;
        or the address holds a password.
    """
    try:
        from fsspec.core import url_to_fs
    except ImportError:
        raise UsageError(f"{address} needs the extra: {how_to_add('dask')}") from None
    kind = address.partition("://")[0]
    if urlsplit(address).password is not None:
        raise UsageError(
            f"{kind}://...: an address holds no password, which would stand in messages and in the "
            "list of processes; put it into the settings of fsspec (~/.config/fsspec)"
        )
    try:
        system, path = url_to_fs(address)
    except ImportError as error:
        raise UsageError(f"{address}: {kind} needs another package: {_line(error)}") from None
    except ValueError as error:
        raise UsageError(f'{address}: no store of the kind "{kind}": {_line(error)}') from None
    except Exception as error:
        raise UsageError(f"{address} cannot be reached: {_line(error)}") from error
    return Store(address, system, str(path))


def _line(error: Exception) -> str:
    return printable(" ".join(f"{error}".split()) or type(error).__name__)[:300]


@contextmanager
def _told(store: Store, kind: type[RetuneError]) -> Iterator[None]:
    """Whatever a store raises, told with its address: its libraries have errors of their own."""
    try:
        yield
    except RetuneError:
        raise
    except FileNotFoundError:
        raise kind(f"{store.address} does not exist") from None
    except Exception as error:
        raise kind(f"{store.address}: {type(error).__name__}: {_line(error)}") from error


def matching(address: str) -> list[str]:
    """The addresses that one with `*`, `?` or `[...]` stands for, in order; itself without any.

    Raises InputError where there is none, UsageError as `store_at`.
    """
    store = store_at(address)
    if not re.search(r"[*?\[]", address):
        return [address]
    with _told(store, InputError):
        found = sorted(str(path) for path in store.system.glob(store.path))
    if not found:
        raise InputError(f"{address} matches no file of the store")
    return [str(store.system.unstrip_protocol(path)) for path in found]


def files_of(store: Store) -> Mapping[str, int]:
    """Every whole file of a folder, with its size in bytes, by its name below it; {} for none."""
    with _told(store, InputError):
        store.system.invalidate_cache()
        found = store.system.find(store.path, detail=True)
    start = len(store.path.rstrip("/")) + 1
    sizes = {name[start:]: int(facts.get("size") or 0) for name, facts in found.items()}
    return {name: size for name, size in sizes.items() if _PART not in name}


def is_there(store: Store) -> bool:
    """Whether a store has such a file."""
    with _told(store, InputError):
        return bool(store.system.isfile(store.path))


def size_of(store: Store) -> int:
    """How many bytes a file of a store has."""
    with _told(store, InputError):
        return int(store.system.size(store.path) or 0)


def fetch(store: Store, to: Path) -> None:
    """Copy a file of a store to a path of this machine. Raises InputError where it is not there."""
    to.parent.mkdir(parents=True, exist_ok=True)
    with _told(store, InputError):
        store.system.get_file(store.path, str(to))


def mirror(store: Store, folder: Path, *, is_wanted: Callable[[str], bool] | None = None) -> None:
    """Copy a folder of a store to one of this machine; of files that are not wanted the names
    alone."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, size in files_of(store).items():
        path = safe_child_path(folder, name)
        if is_wanted is None or is_wanted(name):
            fetch(store.at(name), path)
        else:
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("wb") as stream:
                stream.truncate(size)


Stamps = Mapping[str, tuple[int, int]]


def stamps_of(folder: Path) -> Stamps:
    """Size and time of change (ns) of every file below a folder."""
    found = (path for path in folder.rglob("*") if path.is_file())
    return {p.relative_to(folder).as_posix(): _stamp(p) for p in found}


def _stamp(path: Path) -> tuple[int, int]:
    facts = path.stat()
    return facts.st_size, facts.st_mtime_ns


def send(folder: Path, store: Store, *, before: Stamps, last: Callable[[str], bool]) -> None:
    """Send what has changed below a folder since `before`, those that are to stand there `last`
    after all others; what is gone from it goes from the store.

    Raises OutputError where the store takes it not.
    """
    now = stamps_of(folder)
    changed = [name for name, stamp in now.items() if before.get(name) != stamp]
    for name in sorted(changed, key=lambda name: (last(name), name)):
        put(folder / name, store.at(name))
    for name in before:
        if name not in now:
            with _told(store, OutputError), suppress(FileNotFoundError):
                store.system.rm_file(store.at(name).path)


def put(path: Path, store: Store) -> None:
    """Write a file of this machine to a store: whole under its name, or not at all."""
    part = store.path + _PART + uuid.uuid4().hex
    system = store.system
    with _told(store, OutputError):
        system.makedirs(store.path.rpartition("/")[0], exist_ok=True)
        try:
            system.put_file(str(path), part)
            system.mv(part, store.path)
        except BaseException:
            with suppress(Exception):
                system.rm_file(part)
            raise


def clear_parts(store: Store) -> None:
    """Remove the half-sent files that killed workers left below a folder."""
    with suppress(Exception):
        for name in store.system.find(store.path):
            if _PART in name:
                store.system.rm_file(name)
