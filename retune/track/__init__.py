"""Room: track. From sound to f0 over time.

`track_pitch` runs one of the `TRACKERS` over a stem, `track_mix` follows the melody inside a
finished mix, `Lows` is its bass, `align_to_mix` finds where a hummed guide lies in it;
`voice_warnings` says in plain words what speaks against the stem being one dry voice; `warm_up`
compiles the default tracker beforehand.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from retune.track.hummed import Aligned, align_to_mix
    from retune.track.lows import Lows
    from retune.track.mix_melody import track_mix
    from retune.track.pyin import warm_up
    from retune.track.seam import TRACKERS, Tracker, find_tracker, track_pitch
    from retune.track.voice import voice_warnings

__all__ = [
    "TRACKERS",
    "Aligned",
    "Lows",
    "Tracker",
    "align_to_mix",
    "find_tracker",
    "track_mix",
    "track_pitch",
    "voice_warnings",
    "warm_up",
]

_HOMES = {
    "TRACKERS": "seam",
    "Aligned": "hummed",
    "Lows": "lows",
    "Tracker": "seam",
    "align_to_mix": "hummed",
    "find_tracker": "seam",
    "track_mix": "mix_melody",
    "track_pitch": "seam",
    "voice_warnings": "voice",
    "warm_up": "pyin",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
