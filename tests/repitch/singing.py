"""Closed-form voices for the tests of re-pitching: harmonics of a known f0 under formants."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import parselmouth

from retune.carriers.changes import Edit
from retune.carriers.heard import Audio, FloatArray, Note, PitchTrack, StemAnalysis

RATE_HZ = 44100
FORMANTS = ((600.0, 90.0, 1.0), (1200.0, 110.0, 0.5), (2600.0, 160.0, 0.15))


def envelope(hz: FloatArray) -> FloatArray:
    """Amplitude of a harmonic at a frequency: three resonances over a floor."""
    total = np.full(np.shape(hz), 0.01)
    for middle, width, height in FORMANTS:
        total = total + height / (1 + ((np.asarray(hz) - middle) / (2 * width)) ** 2)
    return total


def sung(f0_hz: FloatArray, *, rate_hz: int = RATE_HZ, top_hz: float = 8000.0) -> FloatArray:
    """Harmonics of `f0_hz` (one value a sample) with amplitudes from `envelope`, peak 0.5."""
    phase = 2 * np.pi * np.cumsum(f0_hz) / rate_hz
    y = np.zeros(len(f0_hz))
    for k in range(1, int(top_hz / f0_hz.min()) + 1):
        heard = np.clip((min(top_hz, 0.45 * rate_hz) - k * f0_hz) / 200.0, 0, 1)
        y += heard * envelope(k * f0_hz) * np.cos(k * phase + 0.7 * k)
    return np.asarray(0.5 * y / np.abs(y).max())


def steps(
    levels_hz: Sequence[float],
    bounds_s: Sequence[float],
    *,
    rate_hz: int = RATE_HZ,
    glide_s: float = 0.08,
) -> FloatArray:
    """f0 a sample: one level between each two bounds, raised-cosine glides in log pitch."""
    time_s = np.arange(round(bounds_s[-1] * rate_hz)) / rate_hz
    cents = np.full(len(time_s), 1200 * np.log2(levels_hz[0]))
    for low, high, at in zip(levels_hz[:-1], levels_hz[1:], bounds_s[1:-1], strict=True):
        part = np.clip((time_s - at) / glide_s + 0.5, 0, 1)
        cents += 1200 * np.log2(high / low) * (0.5 - 0.5 * np.cos(np.pi * part))
    return np.asarray(2 ** (cents / 1200))


def make_notes(levels_hz: Sequence[float], bounds_s: Sequence[float]) -> tuple[Note, ...]:
    return tuple(
        Note(i + 1, bounds_s[i], bounds_s[i + 1], float(69 + 12 * np.log2(hz / 440)), "", 0.0)
        for i, hz in enumerate(levels_hz)
    )


def make_track(f0_hz: FloatArray, *, rate_hz: int = RATE_HZ, hop_s: float = 0.0116) -> PitchTrack:
    """What a good tracker would give: f0 every `hop_s`, NaN where `f0_hz` is NaN or 0."""
    time_s = np.arange(0, len(f0_hz) / rate_hz, hop_s)
    f0 = f0_hz[np.minimum((time_s * rate_hz).astype(int), len(f0_hz) - 1)].astype(float)
    f0[~(f0 > 0)] = np.nan
    return PitchTrack(time_s, f0, np.isfinite(f0).astype(float), np.full(len(time_s), -20.0))


def make_stem(
    levels_hz: Sequence[float],
    bounds_s: Sequence[float],
    *,
    rate_hz: int = RATE_HZ,
    channels: int = 1,
) -> tuple[Audio, StemAnalysis, FloatArray]:
    """A sung stem: audio, analysis and its f0 a sample."""
    f0_hz = steps(levels_hz, bounds_s, rate_hz=rate_hz)
    y = sung(f0_hz, rate_hz=rate_hz)
    samples = np.stack([y * gain for gain in (1.0, 0.6)[:channels]], axis=1)
    notes = make_notes(levels_hz, bounds_s)
    stem = StemAnalysis("voice", "melody", notes, (), make_track(f0_hz, rate_hz=rate_hz))
    return Audio(samples.astype(np.float32), rate_hz), stem, f0_hz


def move(stem: StemAnalysis, index: int, cents: float) -> Edit:
    note = stem.note(index)
    return Edit(stem.name, note.start_s, note.end_s, cents, "shift", note=index)


def praat_hz(
    samples: FloatArray, *, rate_hz: int = RATE_HZ, low_hz: float = 75, high_hz: float = 1200
) -> tuple[FloatArray, FloatArray]:
    """Times and f0 (NaN where unvoiced) by Praat: a tracker that is not ours."""
    sound = parselmouth.Sound(np.asarray(samples, np.float64), rate_hz)
    found = sound.to_pitch_ac(time_step=0.005, pitch_floor=low_hz, pitch_ceiling=high_hz)
    hz = found.selected_array["frequency"]
    return np.asarray(found.xs()), np.where(hz > 0, hz, np.nan)


def harmonic_level_db(samples: FloatArray, hz: float, *, rate_hz: int = RATE_HZ) -> float:
    """Level of the sinusoid nearest to `hz` (within 2 %), by projection."""
    n = np.arange(len(samples)) / rate_hz
    window = np.hanning(len(samples))
    best = max(
        abs(np.sum(samples * window * np.exp(-2j * np.pi * f * n)))
        for f in hz * np.linspace(0.995, 1.005, 21)
    )
    return float(20 * np.log10(2 * best / window.sum() + 1e-12))
