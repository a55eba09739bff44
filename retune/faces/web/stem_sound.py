"""A stem on its way to the page: from any place, a block at a time, and only as it was heard.

A file that browsers read goes out as it is, the rest as 32-bit float WAV, decoded as it is asked
for. So a request takes the memory of a block, however long the stem. Each block is held against
the file that was heard: one that was written over, grown or exchanged meanwhile is not sent on.
"""

from __future__ import annotations

import hashlib
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
from retune.sound.wavmeta import WavHeader

BLOCK_BYTES = 1 << 20
BLOCK_SAMPLES = 1 << 16
AT_ONCE = 4
"""So many blocks are read or decoded at once, whoever asks."""
_AS_IT_IS = {("WAV", "PCM_16"), ("WAV", "FLOAT"), ("WAV", "PCM_24"), ("FLAC", "PCM_16")}
"""What every browser decodes sample for sample."""
_MIMES = {"WAV": "audio/wav", "FLAC": "audio/flac"}
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
def _sums(path: Path, seen: Identity, sha256: str) -> tuple[bytes, ...]:
    """The checksum of every block of the file that was heard, whose SHA-256 is given."""
    whole, sums = hashlib.sha256(), []
    with open(path, "rb") as stream:
        while block := stream.read(BLOCK_BYTES):
            whole.update(block)
            sums.append(hashlib.blake2b(block, digest_size=16).digest())
    if whole.hexdigest() != sha256 or identity(path) != seen:
        raise _changed(path)
    return tuple(sums)


def _changed(path: Path) -> AudioError:
    return AudioError(f"{path.name} changed while it was in use; load the song again")


@dataclass(frozen=True)
class SentStem:
    """The bytes of a stem as the page gets them; `sha256` is that of the file that was heard.

    Raises AudioError when the file is another by now.
    """

    audio: AudioFile
    sha256: str

    def __post_init__(self) -> None:
        _ = self._checked

    @property
    def is_file(self) -> bool:
        """Whether the file goes out as it is."""
        return (self.audio.format, self.audio.subtype) in _AS_IT_IS

    @property
    def media_type(self) -> str:
        return _MIMES[self.audio.format] if self.is_file else "audio/wav"

    @property
    def n_bytes(self) -> int:
        if self.is_file:
            return self.audio.stamp[0]
        return len(self._head) + 4 * self.audio.n_channels * self.audio.n_samples

    @property
    def _checked(self) -> tuple[bytes, ...]:
        path = Path(self.audio.path)
        seen = identity(path)
        if (seen[2], seen[3]) != self.audio.stamp[:2]:
            raise _changed(path)
        return _sums(path, seen, self.sha256)

    @property
    def _head(self) -> bytes:
        header = WavHeader(self.audio.rate_hz, self.audio.n_channels, "FLOAT")
        return header.pack(self.audio.n_samples)

    def read(self, start: int, stop: int) -> Iterator[bytes]:
        """Bytes [start, stop), in pieces of a block at most."""
        return self._file(start, stop) if self.is_file else self._decoded(start, stop)

    def _file(self, start: int, stop: int) -> Iterator[bytes]:
        path = Path(self.audio.path)
        for number in range(start // BLOCK_BYTES, -(-stop // BLOCK_BYTES)):
            at = number * BLOCK_BYTES
            with _READING:
                sums = self._checked
                with open(path, "rb") as stream:
                    stream.seek(at)
                    block = stream.read(BLOCK_BYTES)
                if hashlib.blake2b(block, digest_size=16).digest() != sums[number]:
                    raise _changed(path)
            yield block[max(start - at, 0) : stop - at]

    def _decoded(self, start: int, stop: int) -> Iterator[bytes]:
        head = self._head
        if start < len(head):
            yield head[start:stop]
        frame = 4 * self.audio.n_channels
        start, stop = max(start - len(head), 0), max(stop - len(head), 0)
        for first in range(start // frame, -(-stop // frame), BLOCK_SAMPLES):
            last = min(first + BLOCK_SAMPLES, -(-stop // frame))
            with _READING:
                block = self.audio.read(first, last).astype("<f4").tobytes()
                _ = self._checked
            yield block[max(start - first * frame, 0) : stop - first * frame]


class StemResponse(Response):
    """Sends a stem, or the one range of it that is asked for; to HEAD its length alone."""

    def __init__(self, stem: SentStem) -> None:
        self.stem = stem
        super().__init__(media_type=stem.media_type)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        total = self.stem.n_bytes
        span = asked_range(Headers(scope=scope).get("range", ""), total)
        headers = {"accept-ranges": "bytes", "content-type": self.stem.media_type}
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
