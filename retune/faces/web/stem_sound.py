"""A stem on its way to the page: from any place, a block at a time, and only as it was heard.

Every stem goes out as 32-bit float WAV, decoded as it is asked for, so that the page can begin at
any place of it. A request takes the memory of a block, however long the stem. Each block is held
against the file that was heard: one that was written over, grown or exchanged meanwhile is not sent
on.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from threading import BoundedSemaphore

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.responses import Response
from starlette.types import Receive, Scope, Send

from retune.carriers.errors import AudioError, RetuneError
from retune.sound.audio import AudioFile
from retune.sound.files import sha256_file
from retune.sound.wavmeta import WavHeader

BLOCK_SAMPLES = 1 << 16
AT_ONCE = 4
"""So many blocks are read or decoded at once, whoever asks."""
_RANGE = re.compile(r"bytes=(\d{0,18})-(\d{0,18})")
_READING = BoundedSemaphore(AT_ONCE)
Identity = tuple[int, int, int, int, int]


def identity(path: Path) -> Identity:
    """What tells a file from every other and from itself before a change: the last time of change
    is set by the system alone."""
    try:
        found = os.stat(path)
    except OSError as error:
        raise AudioError(f"{path.name} has gone or cannot be read; check the folder") from error
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns


@lru_cache(maxsize=64)
def _hold(path: Path, seen: Identity, sha256: str) -> None:
    """Raise AudioError unless a file is the one that was heard, whose SHA-256 is given."""
    if sha256_file(path) != sha256 or identity(path) != seen:
        raise _changed(path)


def _changed(path: Path) -> AudioError:
    return AudioError(f"{path.name} changed while it was in use; load the song again")


def head_of(audio: AudioFile) -> bytes:
    """What stands before the first sample of a stem as it is sent."""
    return WavHeader(audio.rate_hz, audio.n_channels, "FLOAT").pack(audio.n_samples)


@dataclass(frozen=True)
class SentStem:
    """The bytes of a stem as the page gets them; `sha256` is that of the file that was heard.

    Raises AudioError when the file is another by now.
    """

    audio: AudioFile
    sha256: str

    def __post_init__(self) -> None:
        self._check()

    @property
    def n_bytes(self) -> int:
        return len(self._head) + 4 * self.audio.n_channels * self.audio.n_samples

    def _check(self) -> None:
        path = Path(self.audio.path)
        seen = identity(path)
        if (seen[2], seen[3]) != self.audio.stamp[:2]:
            raise _changed(path)
        _hold(path, seen, self.sha256)

    @property
    def _head(self) -> bytes:
        return head_of(self.audio)

    def read(self, start: int, stop: int) -> Iterator[bytes]:
        """Bytes [start, stop), in pieces of a block at most."""
        head = self._head
        if start < len(head):
            yield head[start:stop]
        frame = 4 * self.audio.n_channels
        start, stop = max(start - len(head), 0), max(stop - len(head), 0)
        for first in range(start // frame, -(-stop // frame), BLOCK_SAMPLES):
            last = min(first + BLOCK_SAMPLES, -(-stop // frame))
            with _READING:
                block = self.audio.read(first, last).astype("<f4").tobytes()
                self._check()
            yield block[max(start - first * frame, 0) : stop - first * frame]


class StemResponse(Response):
    """Sends a stem, or the one range of it that is asked for; to HEAD its length alone."""

    def __init__(self, stem: SentStem) -> None:
        self.stem = stem
        super().__init__(media_type="audio/wav")

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        total = self.stem.n_bytes
        span = asked_range(Headers(scope=scope).get("range", ""), total)
        headers = {"accept-ranges": "bytes", "content-type": "audio/wav"}
        if span is None:
            start, stop, status = 0, 0, 416
            headers["content-range"] = f"bytes */{total}"
        else:
            start, stop = span
            status = 200 if span == (0, total) else 206
            if status == 206:
                headers["content-range"] = f"bytes {start}-{stop - 1}/{total}"
        headers["content-length"] = str(stop - start)
        raw = [(name.encode(), value.encode()) for name, value in headers.items()]
        await send({"type": "http.response.start", "status": status, "headers": raw})
        is_empty = scope["method"] == "HEAD" or start == stop
        if not is_empty and not await self._send_body(start, stop, send):
            return  # cut off before its length, so that nobody takes it for whole
        await send({"type": "http.response.body", "body": b""})

    async def _send_body(self, start: int, stop: int, send: Send) -> bool:
        pieces = self.stem.read(start, stop)
        try:
            while (piece := await run_in_threadpool(next, pieces, None)) is not None:
                await send({"type": "http.response.body", "body": piece, "more_body": True})
        except (RetuneError, OSError):
            return False
        return True


def asked_range(text: str, total: int) -> tuple[int, int] | None:
    """First byte, and the one after the last, of a Range header (RFC 9110, section 14.1.2): all of
    them where it says nothing that is understood, None where there are no such bytes."""
    match = _RANGE.fullmatch(text.strip())
    if match is None or match[1] == match[2] == "":
        return 0, total
    if match[1] == "":
        start, stop = max(total - int(match[2]), 0), total
    else:
        start, stop = int(match[1]), min(int(match[2] or total) + 1, total)
    return (start, stop) if start < min(stop, total) else None
