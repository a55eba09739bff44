"""Which pitch classes sound, beat by beat, from the sound alone, in plain numpy and scipy.

A spectrum with three bins a semitone, its slow slope taken out, is explained by as few tones with
overtones as will do (non-negative least squares, as Mauch & Dixon 2010, "Approximate note
transcription for the improved identification of difficult chords").
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from retune.carriers.heard import AudioLike, FloatArray

RATE_HZ = 11025
N_FFT = 4096
HOP = 1024
PIECE_S = 60.0
# Bins a semitone, from LOWEST to HIGHEST (MIDI).
FINE = 3
LOWEST, HIGHEST = 28, 96
# Tones that are looked for.
TONES: FloatArray = np.arange(28.0, 85.0)
N_PARTIALS = 12
# The share of each overtone in the one below it.
FALL = 0.8
# The slope of the spectrum is told over this many semitones.
SLOPE_SEMITONES = 12


@dataclass(frozen=True, eq=False)
class Sounding:
    """How strongly each of TONES sounds in each span, (n_spans, n_tones), and the spans' power."""

    tones: FloatArray
    power: FloatArray

    @property
    def chroma(self) -> FloatArray:
        """Weight of each pitch class, (n_spans, 12); the outermost octaves count less."""
        return _folded(self.tones * _rising_falling(TONES, 40, 50, 72, 84))

    @property
    def bass(self) -> FloatArray:
        """The same of the low tones alone."""
        return _folded(self.tones * _rising_falling(TONES, 24, 28, 44, 58))


def sounding_tones(
    sounds: Sequence[AudioLike], times_s: FloatArray, *, tuning_hz: float
) -> Sounding:
    """What sounds between each of `times_s` and the next, in the sum of some sounds."""
    n = len(times_s) - 1
    spectra, power = np.zeros((n, len(_fine_hz(440.0)))), np.zeros(n)
    k = 0
    while k < n:
        stop = k + 1
        while stop < n and times_s[stop + 1] - times_s[k] <= PIECE_S:
            stop += 1
        samples = _summed(sounds, float(times_s[k]), float(times_s[stop]))
        edges = np.round((times_s[k : stop + 1] - times_s[k]) * RATE_HZ).astype(int)
        spectra[k:stop] = _span_spectra(samples, edges, tuning_hz)
        power[k:stop] = [
            float(np.mean(samples[a:b] ** 2)) if b > a else 0.0
            for a, b in itertools.pairwise(edges)
        ]
        k = stop
    return Sounding(_explained(spectra), power)


def _summed(sounds: Sequence[AudioLike], start_s: float, stop_s: float) -> FloatArray:
    import soxr

    total = np.zeros(round((stop_s - start_s) * RATE_HZ))
    for sound in sounds:
        part = sound.read(round(start_s * sound.rate_hz), round(stop_s * sound.rate_hz))
        mono = part.mean(axis=1)
        if not len(mono):
            continue
        low = soxr.resample(mono, sound.rate_hz, RATE_HZ, quality="MQ")
        n = min(len(low), len(total))
        total[:n] += low[:n]
    return total


def _span_spectra(samples: FloatArray, edges: FloatArray, tuning_hz: float) -> FloatArray:
    """Mean spectrum of each span, flattened, (n_spans, n_fine)."""
    from scipy.fft import rfft

    window = np.hanning(N_FFT + 1)[:-1]
    padded = np.pad(samples, N_FFT // 2)
    frames = np.lib.stride_tricks.sliding_window_view(padded, N_FFT)[::HOP]
    magnitude = np.abs(rfft(frames.astype(np.float32) * window.astype(np.float32), axis=1))
    fine = _flattened(magnitude @ _to_fine(tuning_hz))
    at = np.arange(len(fine)) * HOP
    result = np.zeros((len(edges) - 1, fine.shape[1]))
    for k, (a, b) in enumerate(itertools.pairwise(edges)):
        inside = (at >= a) & (at < b)
        if not inside.any():
            inside[np.argmin(np.abs(at - (a + b) / 2))] = True
        result[k] = fine[inside].mean(axis=0)
    return result


def _fine_hz(tuning_hz: float) -> FloatArray:
    midi = np.arange(LOWEST * FINE - 1, HIGHEST * FINE + 1) / FINE
    return tuning_hz * 2 ** ((midi - 69) / 12)


@cache
def _to_fine(tuning_hz: float) -> FloatArray:
    """Weights from the bins of a spectrum to the fine scale, (n_bins, n_fine)."""
    hz, bin_hz = _fine_hz(tuning_hz), RATE_HZ / N_FFT
    bins = np.arange(N_FFT // 2 + 1)[:, None] * bin_hz
    width = np.maximum(hz * (2 ** (1 / 12 / FINE) - 1), bin_hz)
    weights = np.maximum(0.0, 1 - np.abs(bins - hz) / width)
    return np.asarray(weights / np.maximum(weights.sum(axis=0), 1e-9), dtype=np.float32)


def _flattened(fine: FloatArray) -> FloatArray:
    """What stands out of the local mean, in units of the local spread."""
    from scipy.ndimage import uniform_filter1d

    size = 2 * SLOPE_SEMITONES * FINE + 1
    mean = uniform_filter1d(fine, size, axis=1, mode="nearest")
    spread = np.sqrt(
        np.maximum(uniform_filter1d(fine**2, size, axis=1, mode="nearest") - mean**2, 1e-12)
    )
    out = np.maximum(fine - mean, 0.0)
    return np.asarray(out / np.maximum(spread, 1e-3 * fine.max(initial=1e-9)), dtype=np.float64)


@cache
def _dictionary() -> FloatArray:
    """The flattened spectrum of each tone, (n_fine, n_tones)."""
    hz = _fine_hz(440.0)
    places = np.log2(hz / 440.0) * 12 + 69
    table = np.zeros((len(hz), len(TONES)))
    for k, tone in enumerate(TONES):
        for partial in range(1, N_PARTIALS + 1):
            at = tone + 12 * np.log2(partial)
            table[:, k] += FALL ** (partial - 1) * np.maximum(0.0, 1 - np.abs(places - at) / 0.5)
    return np.asarray(table / np.linalg.norm(table, axis=0))


def _explained(spectra: FloatArray) -> FloatArray:
    """Tones that explain each spectrum, (n_spans, n_tones)."""
    from scipy.optimize import nnls

    table = _dictionary()
    gram = table.T @ table
    lower = np.linalg.cholesky(gram + 1e-6 * np.eye(len(gram)))
    solved = np.linalg.solve(lower, table.T)
    return np.array([nnls(lower.T, solved @ s)[0] for s in spectra]).reshape(-1, len(TONES))


def _rising_falling(at: FloatArray, a: float, b: float, c: float, d: float) -> FloatArray:
    result: FloatArray = np.clip(np.minimum((at - a) / (b - a), (d - at) / (d - c)), 0.0, 1.0)
    return result


def _folded(tones: FloatArray) -> FloatArray:
    result = np.zeros((len(tones), 12))
    for k, tone in enumerate(TONES):
        result[:, int(tone) % 12] += tones[:, k]
    return result
