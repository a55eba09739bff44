"""Sounds whose pitch is known from a formula."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from retune.carriers.heard import Audio, PitchTrack

Floats = NDArray[np.float64]


def tone(f0_hz: Floats | float, *, seconds: float, rate_hz: int, harmonics: int = 8) -> Floats:
    """A harmonic tone (amplitudes 1/k) along a given f0, peak about 0.5, nothing above Nyquist."""
    n = round(seconds * rate_hz)
    hz = np.broadcast_to(np.asarray(f0_hz, float), n)
    # Trapezoids, so that the phase belongs to the sample and not to half a sample later.
    phase = np.concatenate([[0.0], np.cumsum((hz[1:] + hz[:-1]) / 2)]) * 2 * np.pi / rate_hz
    out = np.zeros(n)
    for k in range(1, harmonics + 1):
        out += np.where(k * hz < 0.45 * rate_hz, np.sin(k * phase + 0.7 * k * k) / k, 0.0)
    return 0.25 * out


def audio_of(samples: Floats, rate_hz: int) -> Audio:
    return Audio(samples.astype(np.float32), rate_hz)


def errors_cents(track: PitchTrack, truth_hz: Floats | float, *, edge_s: float = 0.1) -> Floats:
    """Errors of the frames away from both ends; fails if one of them is unvoiced."""
    inside = (track.time_s > edge_s) & (track.time_s < track.time_s[-1] - edge_s)
    found = track.f0_hz[inside]
    assert np.isfinite(found).all()
    truth = np.broadcast_to(np.asarray(truth_hz, float), track.time_s.shape)[inside]
    errors: Floats = 1200 * np.log2(found / truth)
    return errors
