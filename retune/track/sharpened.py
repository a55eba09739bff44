"""The melody of a mix, its pitch read from the estimated voice where that holds it.

A path through a mix stands on a grid of thirds of a semitone and leans on what the band plays; the
estimate of the voice, where it holds most of what sounds at that pitch, is nearly a voice alone,
and is read as one. Which pitch it is, the path says: the estimate alone slips by octaves and
follows what leaked into it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from retune.carriers.heard import AudioLike, FloatArray, PitchTrack
from retune.track.pyin import Pyin

# Chosen on three of the five voices of tests/bench/bench_finished.py, and judged on the others.
LEAST_SHARE_DB = -8.0
NEAR_SEMITONES = 1.0


def sharpened(
    found: PitchTrack, share_db: FloatArray, voice: AudioLike, *, fmin_hz: float, fmax_hz: float
) -> PitchTrack:
    """`found` with the pitch of the voice where it is near and loud enough.

    Parameters
    ----------
    found : PitchTrack
        The melody of a mix.
    share_db : float64 (n_frames,)
        Level of the harmonics there in the estimated voice re those in the mix, dB.
    voice : AudioLike
        The estimated voice, on the clock of the track.
    fmin_hz, fmax_hz : float
        Bounds of the search in Hz.
    """
    alone = Pyin().track(voice, fmin_hz=fmin_hz, fmax_hz=fmax_hz)
    if not len(alone.time_s) or not len(found.time_s):
        return found
    nearest = np.round(found.time_s / alone.hop_s).astype(int)
    f0_hz = alone.f0_hz[np.clip(nearest, 0, len(alone.f0_hz) - 1)]
    away = 12 * np.abs(np.log2(f0_hz / found.f0_hz))
    is_held = (away < NEAR_SEMITONES) & (share_db > LEAST_SHARE_DB)
    return replace(found, f0_hz=np.where(is_held, f0_hz, found.f0_hz))
