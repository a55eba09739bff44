"""How loud a stem is over time, and how much of that is vowel.

Two levels on one grid of 5 ms: the whole band, and the band of the vowel formants, in which
nasals, voiced consonants and breaths are weak. Read in blocks, so memory does not grow with the
sound beyond two numbers for each 5 ms.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from retune.carriers.heard import AudioLike, FloatArray, PitchTrack, frozen_array
from retune.carriers.units import gain_to_db
from retune.sound.biquads import bandpass, filtered

STEP_S = 0.005
WORK_RATE_HZ = 11025
BLOCK_S = 30.0
# First and second formants of vowels lie in it; the murmur of nasals below (common practice).
VOWEL_BAND_HZ = (350.0, 3500.0)
SMOOTH_S = 0.025
FLOOR_DB = -100.0
VOICE_SHARE, UNHEARD_DB = 0.7, -90.0


@dataclass(frozen=True, eq=False)
class Levels:
    """Levels in dB re full scale on a grid of `step_s`: `full_db` of the whole band, `vowel_db`
    of the vowel band; float64 (n,)."""

    step_s: float
    full_db: FloatArray
    vowel_db: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "full_db", frozen_array(self.full_db, np.float64))
        object.__setattr__(self, "vowel_db", frozen_array(self.vowel_db, np.float64))

    def index(self, time_s: float) -> int:
        """The nearest grid point inside the sound."""
        return max(0, min(round(time_s / self.step_s), len(self.full_db) - 1))


def measure_levels(audio: AudioLike) -> Levels:
    """Levels of a stem."""
    keep = max(1, round(audio.rate_hz / WORK_RATE_HZ))
    rate_hz = audio.rate_hz / keep
    step = max(1, round(rate_hz * STEP_S))
    low_hz, high_hz = VOWEL_BAND_HZ
    sections = bandpass(2, low_hz, min(high_hz, 0.45 * rate_hz), rate_hz=rate_hz)
    state: FloatArray | None = None
    block = step * keep * max(1, round(BLOCK_S * rate_hz / step))
    powers: list[tuple[FloatArray, FloatArray]] = []
    for start in range(0, audio.n_samples, block):
        mono = audio.read(start, start + block).mean(axis=1, dtype=np.float64)
        mono = np.pad(mono, (0, -len(mono) % (step * keep)))
        mono = mono.reshape(-1, keep).mean(axis=1)
        in_band, state = filtered(sections, mono, state)
        powers.append(
            ((mono**2).reshape(-1, step).mean(axis=1), (in_band**2).reshape(-1, step).mean(axis=1))
        )
    full, vowel = (
        (np.concatenate([pair[k] for pair in powers]) if powers else np.zeros(0)) for k in (0, 1)
    )
    step_s = step * keep / audio.rate_hz
    return Levels(step_s, _smoothed_db(full, step_s), _smoothed_db(vowel, step_s))


def levels_of_track(track: PitchTrack) -> Levels:
    """Levels where only a pitch track is at hand: its own frame levels, for both bands."""
    n = int(np.ceil(track.time_s[-1] / STEP_S)) + 1 if len(track.time_s) else 0
    level = np.interp(np.arange(n) * STEP_S, track.time_s, track.energy_db) if n else np.zeros(0)
    return Levels(STEP_S, level, level)


def levels_in_mix(track: PitchTrack, voice: AudioLike) -> Levels:
    """Levels of a voice inside a mix: those of its estimate, which leaks and flickers, and those of
    the track's harmonics, which are slow, weighed (chosen on three voices of
    tests/bench/bench_finished.py and judged on two others)."""
    found, slow = measure_levels(voice), levels_of_track(track)
    grid = np.arange(len(found.full_db)) * found.step_s
    line = np.interp(grid, np.arange(len(slow.full_db)) * slow.step_s, slow.full_db)
    held = (1 - VOICE_SHARE) * np.maximum(line, UNHEARD_DB)
    return Levels(
        found.step_s, held + VOICE_SHARE * found.full_db, held + VOICE_SHARE * found.vowel_db
    )


def _smoothed_db(power: FloatArray, step_s: float) -> FloatArray:
    """Power to dB, after a Hann window of SMOOTH_S. Grid point i lies at i * step_s; the power
    of block i is centred half a step later, which the two-point mean takes back."""
    if not len(power):
        return power
    centred = np.concatenate((power[:1], 0.5 * (power[1:] + power[:-1])))
    window = np.hanning(2 * max(1, round(SMOOTH_S / step_s / 2)) + 3)
    smooth = np.convolve(centred, window / window.sum(), mode="same")
    level: FloatArray = 0.5 * gain_to_db(np.maximum(smooth, 0.0), floor_db=2 * FLOOR_DB)
    return level
