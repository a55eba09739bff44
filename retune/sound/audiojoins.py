"""Where one sound file ends and another follows inside the same file.

Recordings are joined by appending one file to another ("chained" OGG, RFC 3533, section 4; MP3
whose rate changes midway, or that holds a second frame of Xing's). Decoders stop at such a place
without a word, so half a recording would be lost in silence.
"""

from __future__ import annotations

import mmap
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

Data = bytes | mmap.mmap
_MOST_BETWEEN = 1 << 20
_BEGINS = 2  # flag of the first page of an OGG stream
_RATES_HZ = {3: (44100, 48000, 32000), 2: (22050, 24000, 16000), 0: (11025, 12000, 8000)}
# kbit/s by (is MPEG 1, layer), ISO/IEC 11172-3 and 13818-3 (from memory)
_KBITS = {
    (True, 1): (32, 64, 96, 128, 160, 192, 224, 256, 288, 320, 352, 384, 416, 448),
    (True, 2): (32, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320, 384),
    (True, 3): (32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320),
    (False, 1): (32, 48, 56, 64, 80, 96, 112, 128, 144, 160, 176, 192, 224, 256),
    (False, 2): (8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160),
    (False, 3): (8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160),
}


def looked_through(path: Path, kind: str, *, rate_hz: int) -> tuple[float | None, float]:
    """The second at which another recording begins in an OGG or MP3 file, None where none does; and
    how many seconds the frames of an MP3 file last, 0 for other kinds."""
    with open(path, "rb") as stream:
        if kind == "OGG":
            return _ogg_join(stream, rate_hz), 0.0
        if kind != "MP3":
            return None, 0.0
        with mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as data:
            return _mp3_join(data)


def _ogg_join(stream: BinaryIO, rate_hz: int) -> float | None:
    granule, has_sound = 0, False
    while len(head := stream.read(27)) == 27 and head[:4] == b"OggS":
        if head[5] & _BEGINS and has_sound:
            return granule / rate_hz
        has_sound |= not head[5] & _BEGINS
        (at,) = struct.unpack("<q", head[6:14])
        granule = max(granule, at)
        stream.seek(sum(stream.read(head[26])), 1)
    return None


def _mp3_join(data: Data) -> tuple[float | None, float]:
    seconds, first = 0.0, None
    for number, (at, size, rate_hz, n_samples) in enumerate(_frames(data)):
        first = first or rate_hz
        is_tagged = number > 1 and any(
            mark in data[at + 4 : at + min(size, 60)] for mark in (b"Xing", b"Info", b"VBRI")
        )
        if rate_hz != first or is_tagged:
            return seconds, seconds
        seconds += n_samples / rate_hz
    return None, seconds


def _frames(data: Data) -> Iterator[tuple[int, int, int, int]]:
    """Offset, bytes, rate and samples of each frame; what lies between is passed over, as long as
    it is not more than decoders pass over."""
    at = 0
    if data[:3] == b"ID3" and len(data) > 10:
        size = 0
        for byte in data[6:10]:
            size = size << 7 | byte & 0x7F
        at = 10 + size
    end = at
    while 0 <= at < len(data) - 4 and at - end < _MOST_BETWEEN:
        frame = _frame(data, at)
        if frame is None or (at + frame[0] < len(data) - 4 and _frame(data, at + frame[0]) is None):
            at = data.find(b"\xff", at + 1)
            continue
        yield at, *frame
        at += frame[0]
        end = at


def _frame(data: Data, at: int) -> tuple[int, int, int] | None:
    """Bytes, rate and samples of the frame whose header stands at a place; None for no header."""
    if data[at] != 0xFF or data[at + 1] & 0xE0 != 0xE0:
        return None
    version, layer = data[at + 1] >> 3 & 3, 4 - (data[at + 1] >> 1 & 3)
    rate_code, bit_code, padding = data[at + 2] >> 2 & 3, data[at + 2] >> 4, data[at + 2] >> 1 & 1
    if version == 1 or layer == 4 or rate_code == 3 or not 0 < bit_code < 15:
        return None
    rate_hz = _RATES_HZ[version][rate_code]
    bits = 1000 * _KBITS[version == 3, layer][bit_code - 1]
    if layer == 1:
        return (12 * bits // rate_hz + padding) * 4, rate_hz, 384
    n_samples = 576 if layer == 3 and version != 3 else 1152
    return n_samples // 8 * bits // rate_hz + padding, rate_hz, n_samples
