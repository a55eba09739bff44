"""Changed spans of sound on their way to the page, as one binary answer."""

from __future__ import annotations

import json
import struct
from collections.abc import Collection, Sequence

import numpy as np

from retune.pipeline.pieces import Piece


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
