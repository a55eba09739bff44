"""How the jobs of a batch went, however many they are."""

from __future__ import annotations

import json
import tempfile
import time
import weakref
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from typing import IO

from retune.pipeline.records import Record, State


class Tally:
    """The records so far, by song and variant.

    How each job went is held; the records themselves lie in an unnamed temporary file, so that ten
    thousand of them need no more room here than ten. Where that cannot be written, they are held.
    """

    def __init__(self) -> None:
        self.began = time.monotonic()
        self.work_began: float | None = None
        """When the first job was begun that was not skipped."""
        self.tracebacks: dict[str, str] = {}
        """By song and variant, for `--debug` alone: they hold paths of this machine."""
        self._counts: Counter[State] = Counter()
        self._kept: dict[tuple[str, str], tuple[State, bytes | tuple[int, int]]] = {}
        self._store: IO[bytes] | None = None
        with suppress(OSError):
            self._store = tempfile.TemporaryFile(buffering=0)  # noqa: SIM115  lives as long as this
            weakref.finalize(self, self._store.close)

    def __len__(self) -> int:
        return len(self._kept)

    def add(self, record: Record) -> None:
        now, key, state = time.monotonic(), (record["song"], record["variant"]), record["state"]
        if state != "skipped" and self.work_began is None:
            self.work_began = now - (record.get("seconds") or 0.0)
        kept = record | {"ended_s": round(now - self.began, 3)}
        if traceback := kept.pop("traceback", ""):
            self.tracebacks["/".join(key)] = traceback
        if key in self._kept:
            self._counts[self._kept[key][0]] -= 1
        self._counts[state] += 1
        self._kept[key] = state, self._put(json.dumps(kept).encode("utf-8"))

    def _put(self, text: bytes) -> bytes | tuple[int, int]:
        """Where in the file the text lies, or itself if it cannot be put there."""
        with suppress(OSError):
            if self._store is not None:
                at = self._store.seek(0, 2)
                if self._store.write(text) == len(text):
                    return at, len(text)
        return text

    def count(self, state: State) -> int:
        return self._counts[state]

    def in_order(self) -> Iterator[Record]:
        """Each record, by song and variant; read when it is asked for."""
        for key in sorted(self._kept):
            where = self._kept[key][1]
            if isinstance(where, tuple):
                assert self._store is not None
                self._store.seek(where[0])
                where = self._store.read(where[1])
            record: Record = json.loads(where)
            yield record
