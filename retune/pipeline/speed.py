"""How fast this machine does the work, measured on the spot."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

SECONDS = 6
RATE_HZ = 44_100


@dataclass(frozen=True)
class Speed:
    """How much sound one core gets through in a second of its time, in seconds."""

    task: str
    times_real_time: float


def speeds() -> list[Speed]:
    """The default tracker and the default engine on a voice-like tone, one core, warm."""
    import numpy as np

    from retune.carriers.heard import Audio
    from retune.pipeline.song_analysis import PITCH_RANGE_HZ
    from retune.track import track_pitch

    time_s = np.arange(SECONDS * RATE_HZ) / RATE_HZ
    phase = 2 * np.pi * 220 * time_s + 0.3 * np.sin(2 * np.pi * 5.5 * time_s)
    tone = sum(np.sin(k * phase) / k for k in range(1, 12))
    sound = Audio(0.1 * np.asarray(tone, dtype=np.float32), RATE_HZ)
    low_hz, high_hz = PITCH_RANGE_HZ["melody"]

    def track() -> None:
        track_pitch(sound, fmin_hz=low_hz, fmax_hz=high_hz, tracker="pyin")

    return [Speed("hearing the pitch of a voice", _times_real_time(track))]


def _times_real_time(work: Callable[[], object]) -> float:
    work()  # compiles, and warms what is kept
    began = time.process_time()
    work()
    return round(SECONDS / max(time.process_time() - began, 1e-6), 1)
