"""Where a second voice sings beside the one that is followed, told from the estimate of the voice.

A voice a third or a sixth away is in the estimate too. Where the harmonics of the lead are taken
out of it, the other's stand in a series of their own and keep their distance for a while; what
leaks in of a band is softer (tests/bench/bench_second.py). A double in unison, or an octave away,
stands on the same harmonics and is not told.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from retune.carriers.heard import AudioLike, FloatArray, PitchTrack
from retune.separate.estimate import OVERLAP, hop_of, spectra

NEAREST, FARTHEST, STEP = 2.0, 11.0, 0.25  # semitones from the lead
N_HARMONICS, LEAST_HARMONICS, TOP_HZ = 6, 3, 4000.0
# Bins about a harmonic of the lead that are its own: of the window, and of vibrato.
REACH_BINS, REACH_SHARE = 2.0, 0.015
LEAST_DB, LEAST_S, SILENT_DB = -13.0, 0.2, -120.0
BLOCK = 240


def second_voice(voice: AudioLike, track: PitchTrack) -> tuple[tuple[float, float], ...]:
    """Spans in seconds, on the clock of `voice`, in which another voice sings beside the one that
    `track` follows; `voice` is what is sung, estimated or given."""
    from scipy.ndimage import median_filter

    hop = hop_of(voice.rate_hz)
    n_frames, hop_s = voice.n_samples // hop + 1, hop / voice.rate_hz
    at = np.searchsorted(track.time_s, np.arange(n_frames) * hop_s)
    f0_hz = np.append(track.f0_hz, np.nan)[np.minimum(at, len(track.f0_hz))]
    f0_hz = np.where(f0_hz > 0, f0_hz, np.nan)
    blocks = [slice(first, min(first + BLOCK, n_frames)) for first in range(0, n_frames, BLOCK)]
    level_db = np.concatenate([_beside_db(voice, f0_hz[b], b.start, b.stop) for b in blocks])
    steady_db = median_filter(level_db, size=(2 * round(LEAST_S / hop_s / 2) + 1, 1))
    sings = np.concatenate([[0], (steady_db.max(axis=1) > LEAST_DB).astype(np.int8), [0]])
    edges = np.flatnonzero(np.diff(sings)).reshape(-1, 2) * hop_s
    return tuple((round(a, 3), round(b, 3)) for a, b in edges if b - a >= LEAST_S)


def _beside_db(voice: AudioLike, f0_hz: FloatArray, first: int, last: int) -> FloatArray:
    """Level of a voice at each distance from the lead, dB re the lead, (n_frames, n_distances)."""
    bin_hz = voice.rate_hz / (OVERLAP * hop_of(voice.rate_hz))
    n_bins = round(TOP_HZ / bin_hz)
    seen = np.square(np.abs(spectra(voice, first, last)[:, :n_bins]), dtype=np.float64)
    power = seen.mean(axis=2)
    lead = np.where(np.isfinite(f0_hz), f0_hz, 1.0)[:, None] / bin_hz
    is_lead = _of_lead(lead, n_bins)
    rest = np.where(is_lead, 0.0, power)
    around = rest + np.roll(rest, 1, axis=1) + np.roll(rest, -1, axis=1)
    taken = is_lead | np.roll(is_lead, 1, axis=1) | np.roll(is_lead, -1, axis=1)
    steps = np.arange(-FARTHEST, FARTHEST + STEP, STEP)
    steps = steps[np.abs(steps) >= NEAREST]
    tones = (lead * 2.0 ** (steps / 12))[:, :, None] * np.arange(1, N_HARMONICS + 1)
    place = np.round(tones).astype(int).reshape(len(power), -1)
    inside = np.clip(place, 1, n_bins - 2)
    free = ((place == inside) & ~np.take_along_axis(taken, inside, axis=1)).reshape(tones.shape)
    heard = np.take_along_axis(around, inside, axis=1).reshape(tones.shape)
    told = np.sum(heard * free, axis=2)
    own = np.sum(np.where(is_lead, power, 0.0), axis=1)[:, None]
    level_db = 10 * np.log10(np.maximum(told, 1e-20) / np.maximum(own, 1e-12))
    known = (free.sum(axis=2) >= LEAST_HARMONICS) & np.isfinite(f0_hz)[:, None]
    return np.where(known, np.maximum(level_db, SILENT_DB), SILENT_DB)


def _of_lead(lead: FloatArray, n_bins: int) -> NDArray[np.bool_]:
    """Which bins stand on a harmonic of the lead, (n_frames, n_bins); `lead` its pitch in bins."""
    bins = np.arange(n_bins, dtype=np.float64)
    nearest = np.maximum(np.round(bins / lead), 1.0)
    return np.asarray(np.abs(bins - nearest * lead) < REACH_BINS + REACH_SHARE * bins)
