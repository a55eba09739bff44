"""How strongly things are struck, moment by moment, in plain numpy, so that nothing is compiled.

Memory grows only with the curve: the sound is read, and its spectrum made, block by block.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from retune.carriers.heard import AudioLike, FloatArray, Samples

RATE_HZ = 22050
HOP = 256
HOP_S = HOP / RATE_HZ
N_FFT = 1024
BANDS = 64
LOWEST_HZ, HIGHEST_HZ = 30.0, 10_000.0
# Kick drums and basses rise below this.
LOW_HZ = 160.0
BLOCK_FRAMES = 1024
BLOCK_S = 20.0
# Levels this far below the loudest band count as silence: with more, the first trace of a note in
# the window counts as its onset, which makes soft attacks 30 ms early.
RANGE_DB = 40.0
# A rise is told against the level this many frames before (23 ms), the loudest of neighbouring
# bands there, so that vibrato is no onset (Böck & Widmer 2013, "Maximum filter vibrato suppression
# for onset detection").
LAG = 2


@dataclass(frozen=True, eq=False)
class Curves:
    """Onset strength of all that sounds and of its lowest bands, a value every HOP_S."""

    all: FloatArray
    low: FloatArray


def onset_curves(sounds: Sequence[AudioLike], *, longest_s: float) -> Curves:
    """Onset strength of the sum of some sounds in their first `longest_s`: spectral flux in
    log-spaced bands, `LAG` frames apart."""
    samples = summed(sounds, longest_s=longest_s)
    if not len(samples):
        return Curves(np.zeros(0), np.zeros(0))
    level = _band_levels(samples)
    silence = float(level.min())
    before = np.pad(level, ((LAG, 0), (1, 1)), constant_values=silence)[: len(level)]
    loudest = np.maximum(np.maximum(before[:, :-2], before[:, 1:-1]), before[:, 2:])
    rise = np.maximum(level - loudest, 0.0)
    low = rise[:, _middles_hz() < LOW_HZ]
    return Curves(rise.mean(axis=1, dtype=np.float64), low.mean(axis=1, dtype=np.float64))


def note_curves(onsets_s: Sequence[float]) -> Curves:
    """The curves of notes whose sound is not at hand, all struck alike."""
    curve = np.zeros(int((max(onsets_s, default=0.0) + 2.0) / HOP_S))
    for onset_s in onsets_s:
        curve[min(len(curve) - 1, round(onset_s / HOP_S))] = 1.0
    return Curves(np.convolve(curve, np.hanning(9), mode="same"), np.zeros(len(curve)))


def summed(sounds: Sequence[AudioLike], *, longest_s: float) -> Samples:
    """The first `longest_s` of some sounds as one, mono, at RATE_HZ."""
    total = np.zeros(0, dtype=np.float32)
    for sound in sounds:
        at = 0
        for block in _low_blocks(sound, longest_s):
            if at + len(block) > len(total):
                total = np.pad(total, (0, at + len(block) - len(total)))
            total[at : at + len(block)] += block
            at += len(block)
    return total


def _band_levels(samples: Samples) -> Samples:
    """Level of each band in dB, (n_frames, BANDS), frames centred on multiples of HOP, RANGE_DB
    from silence to the loudest."""
    from scipy.fft import rfft

    bands, window = _bands(), np.hanning(N_FFT + 1)[:-1].astype(np.float32)
    padded = np.pad(samples, N_FFT // 2)
    n_frames = 1 + len(samples) // HOP
    power = np.empty((n_frames, BANDS), dtype=np.float32)
    for first in range(0, n_frames, BLOCK_FRAMES):
        last = min(first + BLOCK_FRAMES, n_frames)
        part = padded[first * HOP : (last - 1) * HOP + N_FFT]
        frames = np.lib.stride_tricks.sliding_window_view(part, N_FFT)[::HOP]
        spectrum = rfft(frames * window, axis=1)
        power[first:last] = (spectrum.real**2 + spectrum.imag**2) @ bands
    floor = max(float(power.max()) * 10 ** (-RANGE_DB / 10), 1e-12)
    return np.asarray(10 * np.log10(power + floor), dtype=np.float32)


def _edges_hz() -> FloatArray:
    return np.geomspace(LOWEST_HZ, HIGHEST_HZ, BANDS + 2)


def _middles_hz() -> FloatArray:
    return _edges_hz()[1:-1]


@cache
def _bands() -> Samples:
    """Triangles evenly spaced in log frequency, one bin wide at least, (n_bins, BANDS)."""
    edges_hz = _edges_hz()
    bin_hz = RATE_HZ / N_FFT
    hz = np.arange(N_FFT // 2 + 1)[:, None] * bin_hz
    low, middle, high = edges_hz[:-2], edges_hz[1:-1], edges_hz[2:]
    low, high = np.minimum(low, middle - bin_hz), np.maximum(high, middle + bin_hz)
    up, down = (hz - low) / (middle - low), (high - hz) / (high - middle)
    return np.maximum(0.0, np.minimum(up, down)).astype(np.float32)


def _low_blocks(sound: AudioLike, longest_s: float) -> Iterator[Samples]:
    """The mean of the channels at RATE_HZ, in blocks."""
    import soxr

    stop = min(sound.n_samples, int(longest_s * sound.rate_hz))
    same = sound.rate_hz == RATE_HZ
    stream = (
        None
        if same
        else soxr.ResampleStream(sound.rate_hz, RATE_HZ, 1, dtype="float32", quality="MQ")
    )
    step = int(BLOCK_S * sound.rate_hz)
    for start in range(0, stop, step):
        end = min(start + step, stop)
        mono = np.asarray(sound.read(start, end).mean(axis=1), dtype=np.float32)
        yield mono if stream is None else stream.resample_chunk(mono, last=end == stop)
