"""Room on the disk for sound that is decoded, for as long as it is used."""

from __future__ import annotations

import errno
import shutil
import tempfile
import weakref
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from threading import RLock
from typing import IO, Any

import numpy as np

from retune.carriers.heard import Samples

SHARE_OF_ROOM = 0.5
"""Of what is free where files are decoded to, all of a process's together, asked anew with each
block: others need some too, and other processes of ours take their share at the same time."""
_lock = RLock()  # what gives room back may be called at any moment, in here too
_taken_bytes = 0


def stored(blocks: Iterable[Samples]) -> Samples:
    """All samples of some blocks, read from an unnamed temporary file, so that memory stays free.

    Raises OSError where they would take more than the process's share.
    """
    with tempfile.TemporaryFile() as store, _giving_back_unused() as taken:
        n_channels = 1
        for block in blocks:
            n_channels = block.shape[1]
            _write(store, block, taken)
        store.flush()
        shape = (sum(taken) // (4 * n_channels), n_channels)
        if shape[0] == 0:
            return np.zeros(shape, dtype=np.float32)
        samples = np.memmap(store, dtype=np.float32, mode="r", shape=shape)
        weakref.finalize(samples, _take, -sum(taken))
        taken.clear()
        return samples


def _write(store: IO[Any], block: Samples, taken: list[int]) -> None:
    if _take(block.nbytes, shutil.disk_usage(tempfile.gettempdir()).free):
        taken.append(block.nbytes)
        store.write(block.tobytes())
        return
    raise OSError(errno.ENOSPC, "more than its share of what is free")


def _take(n_bytes: int, free_bytes: float = float("inf")) -> bool:
    """Take room, or (below 0) give it back; whether there was any."""
    global _taken_bytes
    with _lock:
        if _taken_bytes + n_bytes > SHARE_OF_ROOM * (free_bytes + _taken_bytes):
            return False
        _taken_bytes += n_bytes
        return True


@contextmanager
def _giving_back_unused() -> Iterator[list[int]]:
    """What is taken meanwhile, given back at the end unless somebody cleared the list."""
    taken: list[int] = []
    try:
        yield taken
    finally:
        _take(-sum(taken))
