"""What a sound file's first bytes say: its kind, and whether it is as long as it claims."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import BinaryIO

_UNKNOWN_SIZE = 0xFFFFFFFF
_MAX_CHUNKS = 10_000  # far more than any writer makes; a file of zeros would have millions
_OTHER_KINDS = ((0, b"PK", "ZIP"),)


def sniff_kind(path: Path) -> str | None:
    """ "WAV", "AIFF", "FLAC", "OGG" or "MP3" by content; None for anything else."""
    with open(path, "rb") as stream:
        head = _after_id3(stream)
    if head[:4] in (b"RIFF", b"RF64") and head[8:12] == b"WAVE":
        return "WAV"
    if head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC"):
        return "AIFF"
    if head[:4] in (b"fLaC", b"OggS"):
        return "FLAC" if head[:4] == b"fLaC" else "OGG"
    is_mpeg = len(head) > 2 and head[0] == 0xFF and head[1] & 0xE0 == 0xE0 and head[1] & 6
    return "MP3" if is_mpeg else None


def foreign_kind(path: Path) -> str:
    """The name of a kind that is recognised but not read, or ""."""
    with open(path, "rb") as stream:
        head = stream.read(16)
    for offset, mark, name in _OTHER_KINDS:
        if head[offset : offset + len(mark)] == mark:
            return name
    return ""


def _after_id3(stream: BinaryIO) -> bytes:
    """The first 16 bytes behind an ID3v2 tag (its size is 4 x 7 bits), if there is one."""
    head = stream.read(16)
    if head[:3] != b"ID3" or len(head) < 10:
        return head
    size = 0
    for byte in head[6:10]:
        size = size << 7 | byte & 0x7F
    stream.seek(10 + size)
    behind = stream.read(4096).lstrip(b"\0")
    return behind[:16]


def missing_bytes(path: Path, kind: str) -> int:
    """How many bytes of sample data a WAV or AIFF header promises that the file lacks."""
    return max(sound_end(path, kind) - path.stat().st_size, 0)


def sound_end(path: Path, kind: str) -> int:
    """Where the sample data of a WAV or AIFF file ends by its header; 0 for what states no end, and
    for other kinds."""
    if kind not in ("WAV", "AIFF"):
        return 0
    with open(path, "rb") as stream:
        for name, size, offset in _chunks(stream, ">I" if kind == "AIFF" else "<I"):
            if name in (b"data", b"SSND"):
                return offset + size if size else 0
    return 0


def _chunks(stream: BinaryIO, size_format: str) -> Iterator[tuple[bytes, int, int]]:
    """Name, declared size and offset of each chunk. A size left open (as a recorder that was
    piped writes it) counts as 0, one that stands in ds64 is taken from there."""
    stream.seek(12)
    long_size = 0
    for _ in range(_MAX_CHUNKS):
        head = stream.read(8)
        if len(head) < 8:
            return
        name, size = head[:4], int(struct.unpack(size_format, head[4:])[0])
        offset = stream.tell()
        if name == b"ds64":
            long_size = int.from_bytes(stream.read(16)[8:], "little")
        if size == _UNKNOWN_SIZE:
            size = long_size if name == b"data" else 0
        yield name, size, offset
        stream.seek(offset + size + size % 2)


def common_time_reference(paths: Iterable[Path]) -> int:
    """The time reference (samples since midnight) that the Broadcast Wave files among `paths`
    agree on; 0 where they do not, or none is one. Bytes 338 to 345 of bext: EBU Tech 3285."""
    found = {value for path in paths if (value := _time_reference(path)) is not None}
    return found.pop() if len(found) == 1 else 0


def _time_reference(path: Path) -> int | None:
    if sniff_kind(path) != "WAV":
        return None
    with open(path, "rb") as stream:
        for name, size, offset in _chunks(stream, "<I"):
            if name == b"bext" and size >= 346:
                stream.seek(offset + 338)
                return int.from_bytes(stream.read(8), "little")
    return None


def has_length_tag(path: Path) -> bool:
    """Whether an MP3 states its own length (a Xing, Info or VBRI frame near its start)."""
    with open(path, "rb") as stream:
        _after_id3(stream)
        stream.seek(max(stream.tell() - 4096, 0))
        head = stream.read(8192)
    return any(mark in head for mark in (b"Xing", b"Info", b"VBRI"))
