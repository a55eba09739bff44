"""Sound for a page: compressed bytes that a browser decodes without shifting them in time."""

from __future__ import annotations

import io
import struct
import zlib

import numpy as np

from retune import __version__
from retune.carriers.errors import UsageError
from retune.carriers.heard import Samples

MIMES = {"flac": "audio/flac", "opus": "audio/ogg"}
OPUS_RATES_HZ = (8_000, 12_000, 16_000, 24_000, 48_000)  # RFC 6716, table 1
# ISO/IEC 11172-3 and 13818-3, table of sampling frequencies; from memory.
_MP3_RATES_HZ = (16_000, 22_050, 24_000, 32_000, 44_100, 48_000)
_BLOCK = 1 << 16  # libsndfile's encoders overflow their stack on one very long write


def opus_rate_hz(rate_hz: int) -> int:
    """The rate at which Opus stores sound of `rate_hz`: the next one it knows, 48 kHz at most."""
    return next((rate for rate in OPUS_RATES_HZ if rate >= rate_hz), OPUS_RATES_HZ[-1])


def stored_rate_hz(rate_hz: int, fmt: str) -> int:
    """The rate at which `encode_audio` stores sound of `rate_hz`."""
    return opus_rate_hz(rate_hz) if fmt == "opus" else rate_hz


def encode_audio(samples: Samples, rate_hz: int, fmt: str = "opus") -> bytes:
    """Samples (n, 1 or 2), float, full scale 1, as the bytes of a file.

    "flac" keeps the rate and 24 bits; samples beyond full scale are clipped. "opus" stores at
    `opus_rate_hz(rate_hz)`, resampled where that differs; the decoded
    length is that of the stored rate to the sample, and no version is shifted against another.

    Raises UsageError for another format.
    """
    if fmt not in MIMES:
        raise UsageError(f'audio format "{fmt}" does not exist; give {" or ".join(MIMES)}')
    sound = np.asarray(samples, dtype=np.float32)
    sound = sound[:, None] if sound.ndim == 1 else sound
    stored = stored_rate_hz(rate_hz, fmt)
    if stored != rate_hz:
        sound = _resampled(sound, rate_hz, stored)
    if fmt == "opus":
        return _fixed_serial(_coded(sound, stored, "OGG", "OPUS"))
    return _coded(sound, stored, "FLAC", "PCM_24")


def mp3_bytes(samples: Samples, rate_hz: int) -> bytes:
    """Samples (n, 1 or 2), float, full scale 1, as an MP3 file, which every program for slides
    plays; at the rate given where the format knows it, else at 48 kHz. Peaks are clipped."""
    stored = rate_hz if rate_hz in _MP3_RATES_HZ else 48_000
    sound = samples if stored == rate_hz else _resampled(samples, rate_hz, stored)
    return _coded(sound, stored, "MP3", "MPEG_LAYER_III")


def _coded(sound: Samples, rate_hz: int, kind: str, subtype: str) -> bytes:
    """A file of (n, channels) samples as libsndfile writes it, peaks clipped."""
    import soundfile

    out = io.BytesIO()
    with soundfile.SoundFile(
        out, "w", samplerate=rate_hz, channels=sound.shape[1], format=kind, subtype=subtype
    ) as stream:
        if kind == "FLAC":
            stream.software = f"retune {__version__}"
        for start in range(0, len(sound), _BLOCK):
            stream.write(np.clip(sound[start : start + _BLOCK], -1.0, 1.0))
    return out.getvalue()


def _fixed_serial(ogg: bytes) -> bytes:
    """The same Ogg stream under serial number 1, so that equal sound gives equal bytes.

    Page layout and checksum (CRC 0x04C11DB7, not reflected, start 0): RFC 3533, section 6.
    """
    out = bytearray(ogg)
    start = 0
    while start < len(out):
        n_segments = out[start + 26]
        body = sum(out[start + 27 : start + 27 + n_segments])
        stop = start + 27 + n_segments + body
        struct.pack_into("<I", out, start + 14, 1)
        struct.pack_into("<I", out, start + 22, 0)
        struct.pack_into("<I", out, start + 22, _ogg_checksum(bytes(out[start:stop])))
        start = stop
    return bytes(out)


_MIRRORED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))


def _ogg_checksum(page: bytes) -> int:
    """By way of zlib's reflected CRC of the mirrored bytes, its inversions undone."""
    reflected = zlib.crc32(page.translate(_MIRRORED), 0xFFFFFFFF) ^ 0xFFFFFFFF
    return int(f"{reflected:032b}"[::-1], 2)


def _resampled(sound: Samples, from_hz: int, to_hz: int) -> Samples:
    import soxr

    out: Samples = soxr.resample(sound, from_hz, to_hz)
    return out
