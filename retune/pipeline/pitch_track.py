"""The step from one stem to its pitch track."""

from __future__ import annotations

from dataclasses import dataclass

from retune.carriers.heard import PitchTrack
from retune.pipeline.stages import HEARING, Stage


@dataclass(frozen=True, eq=False)
class Tracked:
    """A track (None for a stem without one pitch) and what to warn of."""

    track: PitchTrack | None
    lines: tuple[str, ...] = ()


TRACK = Stage(
    "pitch track",
    Tracked,
    rooms=("track", "separate"),
    libraries=HEARING,
    keep=16,
)
