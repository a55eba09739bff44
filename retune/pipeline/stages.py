"""The steps from a song's files to what is shown of it, each worked out once from what it reads.

A step's key is made of contents alone: the sound, charts and settings that it reads, the source
of the rooms that work it out, and the versions of the libraries under them. Memory, disk and
other processes share that key, so an entry is never wrong, only missing.
"""

from __future__ import annotations

import functools
import hashlib
import logging
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Generic, TypeVar

import retune
from retune.sound.cache import Cache, content_key, default_folder

Value = TypeVar("Value")
BASE = ("carriers", "theory", "sound", "song", "pipeline")
"""The rooms under every step."""
HEARING = ("numpy", "scipy", "numba", "librosa", "soundfile", "soxr", "swift-f0")
"""Libraries of all that is heard, those of optional trackers among them."""
MOVING = (*HEARING, "python-stretch", "pyrubberband", "pyworld")
"""Libraries of all that is moved, those of optional engines among them."""
_CODE = frozenset({".py", ".npz"})
log = logging.getLogger("retune")


@dataclass(frozen=True)
class Stage(Generic[Value]):
    """A kind of step.

    Attributes
    ----------
    name : str
        What it works out.
    kind : type
        The carrier that comes of it.
    rooms : tuple of str
        The rooms whose code works it out, besides `BASE`.
    libraries : tuple of str
        Distributions whose versions may change what comes of it.
    keep : int
        How many are kept in memory.
    on_disk : bool
        Whether they are kept between runs.
    is_passing : bool
        Whether only the latest is worth keeping between runs while one follows another.
    """

    name: str
    kind: type[Value]
    rooms: tuple[str, ...] = ()
    libraries: tuple[str, ...] = ("numpy", "scipy", "numba", "soundfile")
    keep: int = 4
    on_disk: bool = True
    is_passing: bool = False

    def parts(self, reads: Mapping[str, Any]) -> dict[str, Any]:
        """All that one such step depends on; `reads` names contents, in JSON values."""
        return {
            "stage": self.name,
            "retune": retune.__version__,
            "code": code_of(*self.rooms),
            "libraries": {name: library_version(name) for name in self.libraries},
            "reads": dict(reads),
        }

    def key(self, reads: Mapping[str, Any]) -> str:
        """The address of one such step, 64 hex digits."""
        return content_key(self.parts(reads))


class Memory:
    """Results of steps by their keys: in this process, and in `disk` when there is one.

    Threads may share it; a step that two of them ask for is worked out once. With `quiet_s` passing
    steps are written once nothing new came for so long, or by `settle`.
    """

    def __init__(self, disk: Cache | None = None, *, quiet_s: float = 0.0) -> None:
        self.disk = disk
        self.quiet_s = quiet_s
        self._waits: dict[str, tuple[dict[str, Any], Any]] = {}
        self._timer: threading.Timer | None = None
        self._held: dict[str, OrderedDict[str, Any]] = {}
        self._busy: dict[str, threading.RLock] = {}
        self._lock = threading.Lock()
        self._told = False

    def recall(
        self,
        stage: Stage[Value],
        reads: Mapping[str, Any],
        make: Callable[[], Value],
        *,
        is_kept: Callable[[Value], bool] = lambda value: True,
    ) -> Value:
        """What was worked out from equal contents before, else what `make` gives, then kept, if
        `is_kept` says so."""
        parts = stage.parts(reads)
        key = content_key(parts)
        with self._alone(key):
            found = self._find(stage, key)
            disk = self.disk if stage.on_disk else None
            if found is None and disk is not None:
                found = disk.get_value(parts, stage.kind)
            if found is None:
                found = make()
                if disk is not None and is_kept(found):
                    self._write(stage, parts, found)
            if is_kept(found):
                self._keep(stage, key, found)
        self.tell()
        return found

    def _write(self, stage: Stage[Any], parts: dict[str, Any], value: Any) -> None:
        if self.disk is None:
            return
        if not (stage.is_passing and self.quiet_s):
            self.disk.put_value(parts, value)
            return
        with self._lock:
            self._waits[stage.name] = parts, value
            if self._timer is not None:
                self._timer.cancel()
            self._timer = threading.Timer(self.quiet_s, self.settle)
            self._timer.daemon = True
            self._timer.start()

    def settle(self) -> None:
        """Write what waits to be kept between runs."""
        with self._lock:
            waits, self._waits = list(self._waits.values()), {}
        for parts, value in waits:
            if self.disk is not None:
                self.disk.put_value(parts, value)

    def holds(self, stage: Stage[Any], reads: Mapping[str, Any]) -> bool:
        """Whether a step is in this process's memory."""
        return self._find(stage, stage.key(reads)) is not None

    def _find(self, stage: Stage[Value], key: str) -> Value | None:
        with self._lock:
            held = self._held.get(stage.name, OrderedDict())
            if key in held:
                held.move_to_end(key)
            return held.get(key)

    def _keep(self, stage: Stage[Value], key: str, value: Value) -> None:
        with self._lock:
            held = self._held.setdefault(stage.name, OrderedDict())
            held[key] = value
            held.move_to_end(key)
            while len(held) > stage.keep:
                held.popitem(last=False)

    @contextmanager
    def _alone(self, key: str) -> Iterator[None]:
        with self._lock:
            own = self._busy.setdefault(key, threading.RLock())
        with own:
            try:
                yield
            finally:
                with self._lock:
                    self._busy.pop(key, None)

    def tell(self) -> None:
        """Say once that nothing is kept between runs."""
        if self.disk is not None and self.disk.warning and not self._told:
            self._told = True
            log.warning(self.disk.warning)


def shared_memory() -> Memory:
    """The memory of this process, over the user's cache folder."""
    return _memory_over(default_folder())


@functools.lru_cache(maxsize=4)
def _memory_over(folder: Path) -> Memory:
    return Memory(Cache(folder))


@functools.cache
def code_of(*rooms: str) -> str:
    """A digest of the source of rooms, of `BASE`, and of what networks in them were taught."""
    digest = hashlib.sha256()
    home = Path(retune.__file__).parent
    for room in sorted({*BASE, *rooms}):
        for path in sorted((home / room).rglob("*")):
            if path.suffix in _CODE:
                digest.update(path.relative_to(home).as_posix().encode())
                digest.update(path.read_bytes())
    return digest.hexdigest()


@functools.cache
def library_version(name: str) -> str:
    """The version of an installed distribution; "" without it."""
    try:
        return version(name)
    except PackageNotFoundError:
        return ""
