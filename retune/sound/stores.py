"""File stores named by an address (`s3://bucket/songs`), through fsspec: files are fetched into a
folder of this machine, worked on there, and what was made is sent back.

A file is put under a name of its own and moved to its own name when it is whole: another reader
finds all of it or nothing, wherever the store moves a file in one step.
"""

from __future__ import annotations

import filecmp
import os
import re
import secrets
import shutil
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from retune.carriers.errors import InputError, OutputError, RetuneError, UsageError
from retune.carriers.install import how_to_add
from retune.carriers.text import printable
from retune.sound.files import MOST_BYTES, safe_child_path

_ADDRESS = re.compile(r"[A-Za-z][A-Za-z0-9+.-]+://")
_HERE = re.compile(r"(?:file|local)://(?:/(?=[A-Za-z]:))?")
_PART = re.compile(r"\.part-[0-9a-f]{32}")
SHARE_OF_ROOM = 0.5
"""Of what is free where files are fetched to, for one of them: a store may say less than it sends,
and others need some too."""


def is_address(text: str) -> bool:
    """Whether a place is named by an address, and not by a path of this machine.

    >>> is_address("s3://bucket/songs"), is_address("C:/songs"), is_address("songs")
    (True, False, False)
    """
    return bool(_ADDRESS.match(text))


def as_path(text: str) -> str:
    """A place of this machine as a path, also where an address names it: what is promised of paths
    (no link is followed, no pipe waited for, one batch a folder) no store can promise.

    >>> as_path("file:///songs/song.toml"), as_path("s3://songs"), as_path("songs")
    ('/songs/song.toml', 's3://songs', 'songs')
    """
    return _HERE.sub("", text, count=1) if _HERE.match(text) else text


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
    if "::" in address:
        raise UsageError(
            f"{address} is an address inside another, as of an archive, and none is unpacked: "
            "unpack it, and give the folder"
        )
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


@dataclass(frozen=True)
class Seen:
    """A file as the list of a store tells of it: bytes, and what changes when it is replaced, by
    whatever names the kinds of stores have for that."""

    size: int
    state: tuple[str, ...]


_STATE = (
    *("ETag", "etag", "generation", "LastModified", "last_modified", "updated"),
    *("mtime", "modified", "created", "ino"),
)


def files_of(store: Store, *, depth: int | None = None) -> Mapping[str, Seen]:
    """Every whole file of a folder by its name below it; {} for none. `depth` 1 leaves out what
    lies in folders of it."""
    with _told(store, InputError):
        store.system.invalidate_cache()
        found = store.system.find(store.path, maxdepth=depth, detail=True)
        start = len(store.path.rstrip("/")) + 1
        return {name[start:]: _seen(facts) for name, facts in found.items() if not _is_part(name)}


def _seen(facts: Mapping[str, Any]) -> Seen:
    state = (f"{name}: {facts[name]}" for name in _STATE if name in facts)
    return Seen(int(facts.get("size") or 0), tuple(state))


def _is_part(name: str) -> bool:
    """Whether it is a half-sent file of ours, by the mark at its end."""
    return bool(_PART.fullmatch(name[-38:]))


def is_there(store: Store) -> bool:
    """Whether a store has such a file."""
    with _told(store, InputError):
        return bool(store.system.isfile(store.path))


def size_of(store: Store) -> int:
    """How many bytes a file of a store has."""
    with _told(store, InputError):
        return int(store.system.size(store.path) or 0)


def fetch(store: Store, to: Path) -> None:
    """Copy a file of a store to a path of this machine. Raises InputError where it is not there,
    or takes more than a share of what is free here."""
    from fsspec.callbacks import Callback

    with _told(store, InputError):
        to.parent.mkdir(parents=True, exist_ok=True)
        most = min(int(SHARE_OF_ROOM * shutil.disk_usage(to.parent).free), MOST_BYTES)

        def check(n_bytes: int) -> None:
            if n_bytes > most:
                raise InputError(
                    f"{store.address}: no room to fetch it into {to.parent}, which takes half of "
                    "what is free there; free some space, or set TMPDIR to a folder with more"
                )

        check(int(store.system.size(store.path) or 0))
        counted = Callback(hooks={"room": lambda size, value, **_: check(value)})
        store.system.get_file(store.path, str(to), callback=counted)


def stand_in(store: Store, to: Path, *, size: int) -> None:
    """Put a file of the name and the size of one of a store, and nothing in it, at a path of this
    machine. Raises InputError for a size that no file has."""
    with _told(store, InputError):
        if not 0 <= size <= MOST_BYTES:
            raise InputError(f"{store.address} is said to have {size} bytes; is it a sound file?")
        to.parent.mkdir(parents=True, exist_ok=True)
        with to.open("wb") as stream:
            stream.truncate(size)


def mirror(
    store: Store, folder: Path, *, is_wanted: Callable[[str], bool | None]
) -> Mapping[str, Seen]:
    """Copy a folder of a store to one of this machine: those files that are wanted, of those that
    are not the names alone, and nothing of those of which None is said. Returns what was there."""
    folder.mkdir(parents=True, exist_ok=True)
    found = files_of(store)
    for name in found:
        wanted = is_wanted(name)
        if wanted is None:
            continue
        path = safe_child_path(folder, name)
        if wanted:
            fetch(store.at(name), path)
        else:
            stand_in(store.at(name), path, size=0)
    return found


Stamps = Mapping[str, tuple[int, int]]


def stamps_of(folder: Path) -> Stamps:
    """Size and time of change (ns) of every file below a folder."""
    found = (path for path in folder.rglob("*") if path.is_file())
    return {p.relative_to(folder).as_posix(): _stamp(p) for p in found}


def _stamp(path: Path) -> tuple[int, int]:
    facts = path.stat()
    return facts.st_size, facts.st_mtime_ns


def send(
    folder: Path,
    store: Store,
    *,
    before: Stamps,
    seen: Mapping[str, Seen],
    last: Callable[[str], bool],
    goes: Callable[[str, Collection[str]], bool] = lambda name, changed: False,
    depth: int | None = None,
) -> None:
    """Send what has changed below a folder since `before`, those that are to stand there `last`
    after all others; of what is gone from it, what `goes` with the names that are sent goes from
    the store.

    Raises OutputError where the store takes it not, or one of the files there is no longer as it
    was `seen` (as `files_of` tells with this `depth`): then nothing is sent.
    """
    now = stamps_of(folder)
    changed = {name for name, stamp in now.items() if before.get(name) != stamp}
    gone = {name for name in before if name not in now and goes(name, changed)}
    there = files_of(store, depth=depth) if changed or gone else {}
    for name in sorted(changed | gone):
        if there.get(name) != seen.get(name):
            _refuse_another(folder / name, store.at(name))
    for name in sorted(changed, key=lambda name: (last(name), name)):
        put(folder / name, store.at(name))
    for name in sorted(gone):
        with _told(store, OutputError), suppress(FileNotFoundError):
            store.system.rm_file(store.at(name).path)


def _refuse_another(path: Path, store: Store) -> None:
    if not _is_the_same(path, store):
        raise OutputError(
            f"{store.address} was changed by something else meanwhile and is left as it is; "
            "nothing is sent beside it: look at it, and run this again"
        )


def _is_the_same(path: Path, store: Store) -> bool:
    """Whether what stands in a store is what is to be sent, as from a worker that was taken for
    dead; or is not there any more."""
    if not is_there(store):
        return True
    other = path.with_name(f".{secrets.token_hex(16)}")
    try:
        fetch(store, other)
        return path.is_file() and filecmp.cmp(path, other, shallow=False)
    finally:
        with suppress(FileNotFoundError):
            os.unlink(other)


def put(path: Path, store: Store) -> None:
    """Write a file of this machine to a store: whole under its name, or not at all."""
    part = f"{store.path}.part-{secrets.token_hex(16)}"
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
    """Remove the half-sent files that killed workers left below a folder, and none of anybody's
    that is called in parts."""
    with suppress(Exception):
        for name in filter(_is_part, store.system.find(store.path)):
            store.system.rm_file(name)
