"""The header of a Broadcast Wave file: RIFF chunks around the samples, byte for byte.

Chunk layout: RIFF/WAVE (Microsoft multimedia data standards, from memory); bext of 602 bytes
(EBU Tech 3285 version 2); ds64 and RF64 for files over 4 GB (EBU Tech 3306, from memory).
Nothing here depends on the clock or the machine, so equal input gives equal bytes.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass, field

_LIMIT = 0xFFFFFFFF
_PCM, _IEEE_FLOAT = 1, 3
INFO_TAGS = ("INAM", "IART", "ICOP", "ICMT", "ISFT")
BITS = {"PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 32}


@dataclass(frozen=True)
class WavHeader:
    """All that stands before the samples; `info` maps INFO tags ("ICMT") to text."""

    rate_hz: int
    n_channels: int
    subtype: str
    description: str = ""
    info: Mapping[str, str] = field(default_factory=dict)
    time_reference: int = 0

    @property
    def frame_bytes(self) -> int:
        return self.n_channels * BITS[self.subtype] // 8

    def pack(self, n_samples: int) -> bytes:
        """The bytes up to the first sample of a file of `n_samples`.

        Their number does not depend on `n_samples`, so the header can be written first and
        again once the length is known.
        """
        data_bytes = n_samples * self.frame_bytes
        body = self._bext() + self._format() + self._fact(n_samples) + self._info()
        reserved = 8 + 28
        riff_bytes = 4 + reserved + len(body) + 8 + data_bytes + data_bytes % 2
        if riff_bytes <= _LIMIT:
            start, sizes = b"RIFF" + struct.pack("<I", riff_bytes), _chunk(b"JUNK", bytes(28))
        else:
            start = b"RF64" + struct.pack("<I", _LIMIT)
            sizes = _chunk(b"ds64", struct.pack("<QQQI", riff_bytes, data_bytes, n_samples, 0))
        data = b"data" + struct.pack("<I", min(data_bytes, _LIMIT))
        return start + b"WAVE" + sizes + body + data

    def _format(self) -> bytes:
        tag = _IEEE_FLOAT if self.subtype == "FLOAT" else _PCM
        bits, frame = BITS[self.subtype], self.frame_bytes
        fields = (tag, self.n_channels, self.rate_hz, self.rate_hz * frame, frame, bits)
        extension = struct.pack("<H", 0) if tag == _IEEE_FLOAT else b""
        return _chunk(b"fmt ", struct.pack("<HHIIHH", *fields) + extension)

    def _fact(self, n_samples: int) -> bytes:
        """The sample count that a format other than PCM must state."""
        if self.subtype != "FLOAT":
            return b""
        return _chunk(b"fact", struct.pack("<I", min(n_samples, _LIMIT)))

    def _bext(self) -> bytes:
        """Version 2 with date, time, UMID and loudness left empty ("not given" is 0x7FFF)."""
        history = f"A=PCM,F={self.rate_hz},W={BITS[self.subtype]},M={_mode(self.n_channels)}"
        return _chunk(
            b"bext",
            cut_utf8(self.description, 256).ljust(256, b"\0")
            + b"retune".ljust(32, b"\0")
            + bytes(32 + 10 + 8)
            + struct.pack("<QH", self.time_reference, 2)
            + bytes(64)
            + struct.pack("<5H", *[0x7FFF] * 5)
            + bytes(180)
            + f"{history},T=retune\r\n".encode("ascii"),
        )

    def _info(self) -> bytes:
        tags = b"".join(
            _chunk(tag.encode("ascii"), cut_utf8(self.info[tag], 4096) + b"\0")
            for tag in INFO_TAGS
            if self.info.get(tag)
        )
        return _chunk(b"LIST", b"INFO" + tags) if tags else b""


def _mode(n_channels: int) -> str:
    return {1: "mono", 2: "stereo"}.get(n_channels, "multitrack")


def _chunk(name: bytes, content: bytes) -> bytes:
    """A RIFF chunk; the pad byte to an even length is not counted in its size."""
    return name + struct.pack("<I", len(content)) + content + bytes(len(content) % 2)


def cut_utf8(text: str, n_bytes: int) -> bytes:
    """UTF-8 of `text` without NUL, at most `n_bytes` long, no character cut in two."""
    encoded = text.replace("\0", "").encode("utf-8", errors="replace")
    return encoded[:n_bytes].decode("utf-8", errors="ignore").encode("utf-8")
