"""A small neural network as tracker: `swift-f0`, an optional extra.

Its model (MIT licence, in its wheel) reads 16 kHz and answers every 16 ms.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from retune.carriers.errors import UsageError
from retune.carriers.heard import AudioLike, FloatArray, PitchTrack
from retune.carriers.install import how_to_add
from retune.carriers.units import gain_to_db
from retune.track.stream import framed_blocks, mono_blocks

RATE_HZ = 16000
HOP = 256
# Its receptive field reaches eleven frames to each side (from its source); four more for safety.
CONTEXT = 15
CHUNK = 1000
VOICED_FROM = 0.5


def load_model() -> Any:
    """The network, ready to run on one thread.

    Raises
    ------
    UsageError
        The extra is not installed.
    """
    try:
        from swift_f0 import SwiftF0
    except ImportError as problem:
        raise UsageError(
            f'the tracker "swift-f0" is not installed: {how_to_add("neural")}, '
            "or choose --tracker pyin"
        ) from problem
    return SwiftF0(threads=1)


class SwiftF0Tracker:
    """swift-f0 over pieces of 16 s with context, so that length never costs memory."""

    name = "swift-f0"

    def __init__(self) -> None:
        self.model = load_model()

    def track(self, audio: AudioLike, *, fmin_hz: float, fmax_hz: float) -> PitchTrack:
        hz, sure, power = [np.zeros(0)], [np.zeros(0)], [np.zeros(0)]
        window = 2 * CONTEXT * HOP + 1
        blocks = mono_blocks(audio, rate_hz=RATE_HZ)
        for stretch in framed_blocks(blocks, window=window, hop=HOP, batch=CHUNK):
            n_frames = 1 + (len(stretch) - window) // HOP
            found = self.model.detect(stretch, RATE_HZ, fmin=fmin_hz, fmax=fmax_hz)
            # The network's frame k is centred on sample k * HOP; ours on the middle of `window`:
            # sample CONTEXT * HOP is the middle of the first.
            here = slice(CONTEXT, CONTEXT + n_frames)
            hz.append(np.asarray(found.pitch_hz, np.float64)[here])
            sure.append(np.asarray(found.confidence, np.float64)[here])
            power.append(frame_power(stretch, n_frames))
        voiced_prob = np.concatenate(sure)
        f0_hz = np.where(voiced_prob >= VOICED_FROM, np.concatenate(hz), np.nan)
        time_s = np.arange(len(f0_hz), dtype=np.float64) * (HOP / RATE_HZ)
        level_db = gain_to_db(np.sqrt(np.concatenate(power)))
        return PitchTrack(time_s, f0_hz, voiced_prob, level_db, self.name)


def frame_power(stretch: FloatArray, n_frames: int) -> FloatArray:
    """Mean power of the 32 ms around each frame's centre."""
    first = CONTEXT * HOP - HOP // 2
    squares = stretch[first : first + (n_frames + 1) * HOP] ** 2
    halves = squares[: (n_frames + 1) * HOP].reshape(n_frames + 1, HOP).mean(axis=1)
    power: FloatArray = (halves[1:] + halves[:-1]) / 2
    return power
