"""Sound behind the end that a file's head states: decoders stop there without a word.

FLAC frame headers after RFC 9639, section 9.1; Xing's frame of an MP3 from memory.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import BinaryIO

from retune.sound.audiohead import sound_end

_TAIL_BYTES = 1 << 20  # the longest frame has half of it
_HEAD_BYTES = 16
_MOST_TRIES = 1_000  # what looks like a head and is none comes some twenty times in a tail
_LEAST_S = 0.02
_SPARE = 1.02
_TAGS = (b"TAG", b"ID3", b"APE")  # words that some programs append
_CHUNKS = (b"LIST", b"id3 ", b"JUNK", b"bext", b"cue ")  # cut off, it may be


def is_longer_than_stated(
    path: Path, kind: str, *, n_samples: int, rate_hz: int, mp3_s: float
) -> bool:
    """Whether a WAV, AIFF, FLAC or MP3 file holds more sound than the `n_samples` that are heard of
    it; `mp3_s` is how long all frames of an MP3 last."""
    if kind == "FLAC":
        return last_of_flac(path) > n_samples
    if kind == "MP3":  # a decoder leaves out what an encoder put before
        return mp3_s > _SPARE * n_samples / rate_hz + 0.3
    return kind in ("WAV", "AIFF") and _is_sound_behind(path, kind, least=_LEAST_S * rate_hz)


def _is_sound_behind(path: Path, kind: str, *, least: float) -> bool:
    """Whether behind the sound comes what is no chunk, no words and no silence."""
    end, total = sound_end(path, kind), path.stat().st_size
    if not end or total - end < max(least, 8):
        return False
    with open(path, "rb") as stream:
        for at in (end, end + 1):  # a pad byte, or none
            stream.seek(at)
            if _is_chunk(stream.read(8), total - at, kind):
                return False
        stream.seek(end)
        return bool(stream.read(_TAIL_BYTES).strip(b"\0"))


def _is_chunk(head: bytes, left: int, kind: str) -> bool:
    name, size = head[:4], int.from_bytes(head[4:], "big" if kind == "AIFF" else "little")
    if name.startswith(_TAGS) or name in _CHUNKS:
        return True
    return name.isascii() and name.decode("ascii").isprintable() and 8 + size <= left


# --- FLAC ----------------------------------------------------------------------------------------


def last_of_flac(path: Path) -> int:
    """The sample at which the last frame of a FLAC file ends; 0 where none is found."""
    with open(path, "rb") as stream:
        first = _first_frame(stream)
        stream.seek(max(os.fstat(stream.fileno()).st_size - _TAIL_BYTES, 0))
        tail = stream.read(_TAIL_BYTES)
    if not first:
        return 0
    longest, at = _block_size(first[2] >> 4, first[5:])[0], len(tail)
    for _ in range(_MOST_TRIES):
        at = tail.rfind(first[:2], 0, at)
        if at < 0:
            break
        head = tail[at : at + _HEAD_BYTES].ljust(_HEAD_BYTES, b"\0")
        if end := _end_of_frame(head, first, longest):
            return end
    return 0


def _first_frame(stream: BinaryIO) -> bytes:
    """The head of the first frame, which those of all others are much like."""
    stream.seek(max(stream.read(_TAIL_BYTES).find(b"fLaC"), 0) + 4)
    for _ in range(_MOST_TRIES):
        block = stream.read(4)
        if len(block) < 4:
            break
        stream.seek(int.from_bytes(block[1:], "big"), os.SEEK_CUR)
        if block[0] & 0x80:
            return stream.read(_HEAD_BYTES).ljust(_HEAD_BYTES, b"\0")
    return b""


def _end_of_frame(head: bytes, first: bytes, longest: int) -> int:
    """The sample at which a frame ends, 0 where its header is none of this file: its rate, depth
    and number of channels are those of the first."""
    if _form(head) != _form(first):
        return 0
    number, behind = _coded_number(head[4:11])
    block, more = _block_size(head[2] >> 4, head[4 + behind :])
    end = 4 + behind + more + {12: 1, 13: 2, 14: 2}.get(head[2] & 15, 0)
    if not behind or not block or _crc8(head[:end]) != head[end]:
        return 0
    return block + (number if head[1] & 1 else number * longest)


def _form(head: bytes) -> tuple[int, int, int]:
    channels = head[3] >> 4
    return head[2] & 15, head[3] & 15, 1 if 8 <= channels <= 10 else channels


def _block_size(code: int, behind: bytes) -> tuple[int, int]:
    """Samples of a frame, and how many bytes behind its number tell them; 0 for no such code."""
    if code in (6, 7):
        return int.from_bytes(behind[: code - 5], "big") + 1, code - 5
    if code >= 8:
        return 256 << code - 8, 0
    return (0, 192, 576, 1152, 2304, 4608)[code], 0


def _coded_number(data: bytes) -> tuple[int, int]:
    """A number coded as UTF-8 codes signs, up to 36 bits, and its bytes; (0, 0) for none."""
    ones = 8 - (data[0] ^ 0xFF).bit_length()
    if ones == 0:
        return data[0], 1
    if ones == 1 or ones == 8 or any(byte & 0xC0 != 0x80 for byte in data[1:ones]):
        return 0, 0
    number = data[0] & (0x7F >> ones)
    for byte in data[1:ones]:
        number = number << 6 | byte & 0x3F
    return number, ones


def _crc8(data: bytes) -> int:
    """The check of a frame header: polynomial x^8 + x^2 + x + 1."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x07) & 0xFF if crc & 0x80 else crc << 1
    return crc
