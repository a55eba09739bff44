"""The published pYIN as librosa ships it: slow, the yardstick for our own.

Mauch & Dixon 2014, "pYIN: a fundamental frequency estimator using probabilistic threshold
distributions", ICASSP. Needs the whole stem in memory.
"""

from __future__ import annotations

import numpy as np

from retune.carriers.heard import AudioLike, FloatArray, PitchTrack
from retune.carriers.units import gain_to_db
from retune.sound.compiled import prepare

RATE_HZ = 22050
HOP = 256


class LibrosaPyin:
    """`librosa.pyin` at 22.05 kHz, hop 256 (11.6 ms), librosa's own defaults otherwise."""

    name = "librosa"

    def track(self, audio: AudioLike, *, fmin_hz: float, fmax_hz: float) -> PitchTrack:
        prepare()
        import librosa

        mono: FloatArray = np.asarray(audio.read().mean(axis=1), dtype=np.float64)
        if not len(mono):
            none = np.zeros(0)
            return PitchTrack(none, none, none, none, self.name)
        samples = librosa.resample(mono, orig_sr=audio.rate_hz, target_sr=RATE_HZ)
        window = 2048
        while RATE_HZ / fmin_hz >= window // 2:
            window *= 2
        f0_hz, _voiced, voiced_prob = librosa.pyin(
            samples, fmin=fmin_hz, fmax=fmax_hz, sr=RATE_HZ, frame_length=window, hop_length=HOP
        )
        rms = librosa.feature.rms(y=samples, frame_length=window, hop_length=HOP)[0]
        return PitchTrack(
            np.arange(len(f0_hz), dtype=np.float64) * (HOP / RATE_HZ),
            f0_hz,
            np.nan_to_num(voiced_prob),
            gain_to_db(rms[: len(f0_hz)]),
            self.name,
        )
