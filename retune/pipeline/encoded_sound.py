"""Sound coded for a page, kept by what it sounds like: coding takes longer than rendering."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retune.carriers.heard import Samples, frozen_array
from retune.comparison.encode import encode_audio
from retune.pipeline.stages import Memory, Stage


@dataclass(frozen=True, eq=False)
class Encoded:
    """A file's bytes, uint8 (n,)."""

    data: NDArray[np.uint8]

    def __post_init__(self) -> None:
        object.__setattr__(self, "data", frozen_array(self.data, np.uint8))


ENCODED = Stage(
    "encoded sound",
    Encoded,
    rooms=("comparison",),
    libraries=("numpy", "scipy", "soundfile"),
    keep=0,
)


def encoded(samples: Samples, rate_hz: int, audio_format: str, *, memory: Memory) -> bytes:
    """`samples` as `encode_audio` codes them; equal sound is coded once."""
    digest = hashlib.sha256(np.ascontiguousarray(samples).view(np.uint8).data).hexdigest()
    reads = {"samples": [*samples.shape, digest], "rate_hz": rate_hz, "format": audio_format}

    def make() -> Encoded:
        made = encode_audio(samples, rate_hz, audio_format)
        return Encoded(np.frombuffer(made, dtype=np.uint8))

    return memory.recall(ENCODED, reads, make).data.tobytes()
