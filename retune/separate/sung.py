"""Where somebody sings in a mix, told from how loud its estimated voice is.

Where nobody sings the estimate falls some 90 dB below the mix; where somebody does, even 6 dB under
the band and in a room, it mostly stays above 30 dB below; of one voice 5 % of the frames fell lower
there (what comes of it: tests/bench/bench_finished.py). Breaths and consonants belong to what is
sung; a flicker does not.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from retune.carriers.heard import AudioLike, FloatArray, Singing
from retune.separate.estimate import OVERLAP, hop_of, spectra

BAND_HZ = (150.0, 4000.0)
SMOOTH_FRAMES = 13  # about .3 s
LEAST_SHARE_DB = -32.0  # re the mix here
LEAST_LEVEL_DB = -36.0  # re the voice where it is loud
SILENT_DB = -100.0
BRIDGED_S, SHORTEST_S = 0.6, 0.15
BLOCK = 480


def find_singing(mix: AudioLike, voice: AudioLike) -> Singing:
    """Where somebody sings in `mix`, by its `voice` on the same clock (estimated or given)."""
    hop = hop_of(mix.rate_hz)
    whole_db, voice_db = (_levels(audio, hop) for audio in (mix, voice))
    n = min(len(whole_db), len(voice_db))
    share_db = np.clip(voice_db[:n] - whole_db[:n], SILENT_DB, 0.0)
    loud_db = float(np.percentile(voice_db, 90)) if n else 0.0
    sings = (share_db > LEAST_SHARE_DB) & (voice_db[:n] > max(loud_db + LEAST_LEVEL_DB, SILENT_DB))
    hop_s = hop / mix.rate_hz
    return Singing(hop_s, share_db, spans_of(sings, hop_s))


def spans_of(sings: NDArray[np.bool_], hop_s: float) -> tuple[tuple[float, float], ...]:
    """Frames in which somebody sings as spans in seconds: short gaps bridged, flickers left out."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], sings.astype(np.int8), [0]])))
    spans: list[tuple[float, float]] = []
    for start, stop in edges.reshape(-1, 2) * hop_s:
        if spans and start - spans[-1][1] < BRIDGED_S:
            spans[-1] = (spans[-1][0], float(stop))
        else:
            spans.append((float(start), float(stop)))
    return tuple((round(a, 3), round(b, 3)) for a, b in spans if b - a >= SHORTEST_S)


def _levels(audio: AudioLike, hop: int) -> FloatArray:
    """Level of a sound in each frame, dB, of where voices lie; over about a third of a second."""
    from scipy.ndimage import uniform_filter1d

    n_frames = audio.n_samples // hop + 1
    bin_hz = audio.rate_hz / (OVERLAP * hop)
    low, high = (round(hz / bin_hz) for hz in BAND_HZ)
    power = []
    for first in range(0, n_frames, BLOCK):
        seen = spectra(audio, first, min(first + BLOCK, n_frames))[:, low:high]
        power.append(np.square(np.abs(seen), dtype=np.float64).mean(axis=2).sum(axis=1))
    smooth = uniform_filter1d(np.concatenate(power), SMOOTH_FRAMES)
    return np.asarray(10 * np.log10(np.maximum(smooth / hop**2, 1e-14)))
