"""Sound on its way to the page: stems as they are, changed spans as one binary answer."""

from __future__ import annotations

import io
import json
import struct
from collections.abc import Collection, Sequence
from pathlib import Path

import numpy as np

from retune.pipeline.pieces import Piece
from retune.sound.audio import AudioFile

# What every browser decodes sample for sample; the rest goes out as decoded by retune.
_AS_IT_IS = {("WAV", "PCM_16"), ("WAV", "FLOAT"), ("WAV", "PCM_24"), ("FLAC", "PCM_16")}
_MIMES = {"WAV": "audio/wav", "FLAC": "audio/flac"}


def stem_source(audio: AudioFile) -> tuple[Path, str] | None:
    """The file and its type, when a browser can be given it as it is."""
    if (audio.format, audio.subtype) in _AS_IT_IS:
        return Path(audio.path), _MIMES[audio.format]
    return None


def stem_wav(audio: AudioFile) -> bytes:
    """A whole stem as 32-bit float WAV."""
    import soundfile

    stream = io.BytesIO()
    soundfile.write(stream, audio.read(), audio.rate_hz, format="WAV", subtype="FLOAT")
    return stream.getvalue()


def packed(pieces: Sequence[Piece], *, known: Collection[str], facts: dict[str, object]) -> bytes:
    """Pieces as bytes: length of the head (uint32, little end first), the head as JSON padded to
    a multiple of 4, then float32 samples, channel after channel.

    The head is `facts` and `pieces`: key, stem, and `patches` (start, n_samples, n_channels,
    offset in float32 units), None for a piece whose key the page already knows.
    """
    rows: list[dict[str, object]] = []
    blocks: list[bytes] = []
    offset = 0
    for piece in pieces:
        row: dict[str, object] = {"key": piece.key, "stem": piece.stem, "patches": None}
        if piece.key not in known:
            patches = []
            for patch in piece.patches:
                n_samples, n_channels = patch.samples.shape
                patches.append(
                    {
                        "start": patch.start,
                        "n_samples": n_samples,
                        "n_channels": n_channels,
                        "offset": offset,
                    }
                )
                offset += patch.samples.size
                blocks.append(np.ascontiguousarray(patch.samples.T, dtype="<f4").tobytes())
            row["patches"] = patches
        rows.append(row)
    head = json.dumps({**facts, "pieces": rows}, allow_nan=False).encode("utf-8")
    head += b" " * (-len(head) % 4)
    return struct.pack("<I", len(head)) + head + b"".join(blocks)
