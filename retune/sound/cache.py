"""Results kept between runs, found again by what they were made from.

An entry is one .npz file (no pickled objects; the zip's checksums tell a damaged one), named by
the SHA-256 of its key. Entries are written under another name and renamed, so that two processes
may share the folder; the ones longest unused go when it grows too large.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from retune.carriers.errors import OutputError, RetuneError
from retune.carriers.plain import from_plain, to_plain
from retune.sound.compiled import user_folder
from retune.sound.files import open_regular, temporary_in
from retune.sound.folders import named_folder

_ENTRY = re.compile(r"[0-9a-f]{64}\.npz")
MAX_BYTES = 2_000_000_000
Value = TypeVar("Value")


class Cache:
    """Arrays by key, in `folder` (default: RETUNE_CACHE, else the user's cache folder).

    A folder that cannot be written leaves the cache empty and says so in `warning`; no method
    raises for the state of the disk.
    """

    def __init__(self, folder: str | Path | None = None, *, max_bytes: int = MAX_BYTES) -> None:
        self.folder = default_folder() if folder is None else Path(folder)
        with suppress(RetuneError):  # whoever named it may have named a link
            self.folder = named_folder(self.folder)
        self.max_bytes = max_bytes
        self.warning = ""
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            with temporary_in(self.folder):
                pass
        except (OSError, OutputError) as error:
            reason = getattr(error, "strerror", None) or error
            self.warning = (
                f"nothing is kept between runs: {self.folder} cannot be written ({reason})"
            )

    def get(self, key: Mapping[str, Any]) -> dict[str, NDArray[Any]] | None:
        """The arrays stored under `key`, or None. A damaged entry is removed."""
        path = self._path(key)
        try:
            with open_regular(path) as (stream, _), np.load(stream, allow_pickle=False) as entry:
                # None is written packed, which could hold far more than its size.
                if any(part.compress_type for part in entry.zip.infolist()):
                    raise ValueError("not one of ours")
                arrays = {name: entry[name] for name in entry.files}
        except FileNotFoundError:
            return None
        except Exception:  # whatever is wrong with an entry, it can be made again
            with suppress(OSError):
                path.unlink(missing_ok=True)
            return None
        with suppress(OSError):
            os.utime(path)
        return arrays

    def put(self, key: Mapping[str, Any], arrays: Mapping[str, Any]) -> None:
        """Store numpy arrays (numbers, booleans or strings) under `key`."""
        if self.warning:
            return
        path = self._path(key)
        plain = {name: np.asarray(value) for name, value in arrays.items()}
        if any(array.dtype.hasobject for array in plain.values()):
            raise TypeError("a cache entry holds numbers, booleans or strings, not objects")
        try:
            with temporary_in(self.folder) as temporary:
                with open(temporary, "wb") as stream:
                    # numpy's stub takes a mapping of names for its one other option.
                    np.savez(stream, **plain)  # type: ignore[arg-type]
                _take_name(temporary, path)
        except (OSError, OutputError) as error:
            said = getattr(error, "strerror", None) or error
            self.warning = f"nothing is kept between runs: {said}"
            return
        self._trim(keep=path)

    def get_value(self, key: Mapping[str, Any], kind: type[Value]) -> Value | None:
        """The carrier stored under `key`, or None when there is none of that `kind`."""
        arrays = self.get(key)
        if arrays is None:
            return None
        try:
            value: Value = from_plain(kind, json.loads(arrays["plain"].tobytes()), arrays)
        except (KeyError, ValueError):
            return None
        return value

    def put_value(self, key: Mapping[str, Any], value: Any) -> None:
        """Store a carrier (a frozen dataclass) under `key`."""
        plain, arrays = to_plain(value)
        text = json.dumps(plain, allow_nan=False).encode("utf-8")
        self.put(key, {"plain": np.frombuffer(text, dtype=np.uint8), **arrays})

    def _path(self, key: Mapping[str, Any]) -> Path:
        return self.folder / f"{content_key(key)}.npz"

    def _trim(self, *, keep: Path) -> None:
        """Remove what was unused longest until the folder is small enough again."""
        found = []
        for path in self.folder.glob("*.npz"):
            if not _ENTRY.fullmatch(path.name):
                continue  # somebody's own, in a folder that was named for the cache
            with suppress(OSError):
                status = path.stat()
                found.append((status.st_mtime, status.st_size, path))
        total = sum(size for _, size, _ in found)
        for _, size, path in sorted(found):
            if total <= self.max_bytes:
                return
            if path != keep:
                with suppress(OSError):
                    path.unlink(missing_ok=True)
                total -= size


def content_key(parts: Mapping[str, Any]) -> str:
    """SHA-256 (64 hex digits) of JSON-able `parts`; the order of keys does not matter."""
    text = json.dumps(parts, sort_keys=True, ensure_ascii=True, allow_nan=False)
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def default_folder() -> Path:
    """RETUNE_CACHE, else the user's cache folder."""
    given = os.environ.get("RETUNE_CACHE")
    return Path(given) if given else user_folder()


def _take_name(temporary: Path, path: Path) -> None:
    """Give an entry its name; on Windows another process may be reading the same one, and it
    stays."""
    try:
        os.replace(temporary, path)
    except PermissionError:
        if not path.exists():
            raise
