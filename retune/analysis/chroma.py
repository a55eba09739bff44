"""Which pitch classes sound, beat by beat, from the sound alone, in plain numpy and scipy.

A spectrum with three bins a semitone, its slow slope taken out, is explained by as few tones with
overtones as will do (non-negative least squares, as Mauch & Dixon 2010, "Approximate note
transcription for the improved identification of difficult chords").
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np

from retune.carriers.heard import AudioLike, FloatArray, Samples

Fine = Samples

RATE_HZ = 11025
N_FFT = 4096
HOP = 512
HOP_S = HOP / RATE_HZ
PIECE_S = 60.0
# Frames in a step of rough tones.
STEP_FRAMES = 4
# Frames before and after a moment that are compared to tell whether the harmony is new.
NEW_FRAMES = 8
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


@dataclass(frozen=True, eq=False)
class Spectra:
    """Flattened spectra of a sound, a row every HOP_S, (n_frames, n_fine), and its power there."""

    fine: Fine
    power: FloatArray

    def means(self, times_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean spectrum and power between each time and the next."""
        if not len(self.fine):
            n = max(0, len(times_s) - 1)
            return np.zeros((n, self.fine.shape[1])), np.zeros(n)
        edges = np.asarray(times_s) / HOP_S
        low = np.clip(np.ceil(edges[:-1]).astype(int), 0, max(len(self.fine) - 1, 0))
        high = np.clip(np.ceil(edges[1:]).astype(int), low + 1, max(len(self.fine), 1))
        rows = [self.fine[a:b].mean(axis=0) for a, b in zip(low, high, strict=True)]
        power = [float(self.power[a:b].mean()) for a, b in zip(low, high, strict=True)]
        return np.array(rows, dtype=np.float64), np.array(power)

    def tones(self, times_s: FloatArray) -> Sounding:
        """What sounds between each of `times_s` and the next."""
        fine, power = self.means(times_s)
        return Sounding(_explained(fine), power)

    def rough_tones(self, times_s: FloatArray) -> Sounding:
        """The same from what sounds in even steps of a fifth of a second, found once: for asking
        about many rows of times."""
        at = np.asarray(times_s) / (STEP_FRAMES * HOP_S)
        places = np.clip(at, 0.0, len(self._sums) - 1.0)
        whole = np.minimum(places.astype(int), max(len(self._sums) - 2, 0))
        share = (places - whole)[:, None]
        sums = (
            self._sums[whole] * (1 - share)
            + self._sums[np.minimum(whole + 1, len(self._sums) - 1)] * share
        )
        lengths = np.maximum(np.diff(places), 1e-6)[:, None]
        return Sounding(np.maximum(np.diff(sums, axis=0), 0.0) / lengths, self.means(times_s)[1])

    @cached_property
    def _sums(self) -> FloatArray:
        """Running sums of the tones in even steps, (n_steps + 1, n_tones)."""
        edges = HOP_S * np.arange(0.0, len(self.fine) + STEP_FRAMES, STEP_FRAMES)
        tones = _explained(self.means(edges)[0])
        return np.vstack([np.zeros(len(TONES)), np.cumsum(tones, axis=0)])

    @cached_property
    def novelty(self) -> FloatArray:
        """How little what sounds from each frame on has in common with what sounded before,
        0 (all) to 1, over NEW_FRAMES either way."""
        sums = np.vstack([np.zeros(self.fine.shape[1]), np.cumsum(self.fine, axis=0, dtype=float)])
        at, n = np.arange(len(self.fine)), len(self.fine)
        before = sums[at] - sums[np.maximum(at - NEW_FRAMES, 0)]
        after = sums[np.minimum(at + NEW_FRAMES, n)] - sums[at]
        size = np.linalg.norm(before, axis=1) * np.linalg.norm(after, axis=1)
        shared = np.sum(before * after, axis=1)
        return np.where(size > 0, 1 - shared / np.maximum(size, 1e-12), 0.0)


def spectra_of(sounds: Sequence[AudioLike], *, tuning_hz: float) -> Spectra:
    """The spectra of the sum of some sounds, from their start to the end of the longest."""
    length_s = max((s.n_samples / s.rate_hz for s in sounds), default=0.0)
    rows, power, step = [], [], round(PIECE_S / HOP_S)
    for first in range(0, int(length_s / HOP_S) + 1, step):
        start_s, stop_s = first * HOP_S, min((first + step) * HOP_S, length_s)
        n = max(1, min(step, round((stop_s - start_s) / HOP_S)))
        samples = _summed(sounds, start_s - N_FFT / 2 / RATE_HZ, n * HOP + N_FFT)
        fine, loud = _flat_spectra(samples, tuning_hz)
        rows.append(fine[:n])
        power.append(loud[:n])
    if not rows:
        return Spectra(np.zeros((0, len(_fine_hz(tuning_hz))), dtype=np.float32), np.zeros(0))
    return Spectra(np.concatenate(rows), np.concatenate(power))


def _summed(sounds: Sequence[AudioLike], start_s: float, length: int) -> FloatArray:
    """`length` samples at RATE_HZ of the sum, silence where there is no sound."""
    import soxr

    total = np.zeros(length)
    late = max(0, round(-start_s * RATE_HZ))
    for sound in sounds:
        first = max(0.0, start_s)
        stop_s = start_s + length / RATE_HZ
        part = sound.read(round(first * sound.rate_hz), round(stop_s * sound.rate_hz))
        if len(part):
            low = soxr.resample(part.mean(axis=1), sound.rate_hz, RATE_HZ, quality="MQ")
            n = min(len(low), length - late)
            total[late : late + n] += low[:n]
    return total


def _flat_spectra(samples: FloatArray, tuning_hz: float) -> tuple[Fine, FloatArray]:
    from scipy.fft import rfft

    window = np.hanning(N_FFT + 1)[:-1].astype(np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(samples.astype(np.float32), N_FFT)[::HOP]
    magnitude = np.abs(rfft(frames * window, axis=1))
    middle = frames[:, N_FFT // 4 : -N_FFT // 4].astype(np.float64)
    power: FloatArray = np.mean(middle**2, axis=1)
    return _flattened(magnitude @ _to_fine(tuning_hz)), power


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


def _flattened(fine: FloatArray) -> Fine:
    """What stands out of the local mean, in units of the local spread."""
    from scipy.ndimage import uniform_filter1d

    size = 2 * SLOPE_SEMITONES * FINE + 1
    mean = uniform_filter1d(fine, size, axis=1, mode="nearest")
    spread = np.sqrt(
        np.maximum(uniform_filter1d(fine**2, size, axis=1, mode="nearest") - mean**2, 1e-12)
    )
    out = np.maximum(fine - mean, 0.0)
    return np.asarray(out / np.maximum(spread, 1e-3 * fine.max(initial=1e-9)), dtype=np.float32)


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
    table = _dictionary()
    gram = table.T @ table + 1e-6 * np.eye(len(TONES))
    return np.array([nonnegative(gram, s) for s in spectra @ table]).reshape(-1, len(TONES))


def nonnegative(gram: FloatArray, target: FloatArray) -> FloatArray:
    """The x >= 0 that makes x' gram x / 2 - target' x least, by active sets (Lawson and Hanson
    1974; Bro and de Jong 1997). scipy.optimize has it too, and takes a tenth of a second to import.
    """
    x = np.zeros(len(target))
    free = np.zeros(len(target), bool)
    least = 1e-10 * np.abs(target).max(initial=0.0)
    for _ in range(3 * len(target)):
        gain = np.where(free, -np.inf, target - gram @ x)
        if gain.max() <= least:
            break
        free[gain.argmax()] = True
        while True:
            wanted = np.zeros(len(x))
            wanted[free] = np.linalg.solve(gram[np.ix_(free, free)], target[free])
            below = free & (wanted <= 0)
            if not below.any():
                break
            step = (x[below] / (x[below] - wanted[below])).min()
            x += step * (wanted - x)
            free &= x > least
        x = wanted
    return x


def _rising_falling(at: FloatArray, a: float, b: float, c: float, d: float) -> FloatArray:
    result: FloatArray = np.clip(np.minimum((at - a) / (b - a), (d - at) / (d - c)), 0.0, 1.0)
    return result


def _folded(tones: FloatArray) -> FloatArray:
    result = np.zeros((len(tones), 12))
    for k, tone in enumerate(TONES):
        result[:, int(tone) % 12] += tones[:, k]
    return result
