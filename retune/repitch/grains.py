"""Grains of two periods, their spectra, and what is missing between their harmonics.

The spectrum of a grain (Hann window over two periods) is exact at the harmonics of the old pitch
only; between them, where harmonics of the new pitch will lie, neighbours of different phase
partly cancel and the envelope shows dips that the voice does not have. The correction brings
the spectrum, in dB, onto a smooth curve from harmonic to harmonic. It works on what a grain has in
common with its neighbours: breath and other noise between the harmonics are not raised with it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retune.carriers.heard import FloatArray
from retune.sound.compiled import compiled

FINER = 8  # how finely a grain is read that is to be stretched
TOP_HZ, FADE_HZ = 6000.0, 1000.0
LIMIT_DB = 20.0
FULL_AT_CENTS = 100.0
# A far move may put the new fundamental where the voice has no harmonic of its own, for as long as
# a vowel lasts; a singer would move the vowel there (from memory: Sundberg 1975, "Formant technique
# in a professional female singer"). What the harmonics lose or gain beyond FREE_DB is mended.
NEAR_CENTS, FAR_CENTS = 300.0, 700.0
FREE_DB, MOST_DB = 3.0, 12.0
SPREAD = np.array([0.06, 0.24, 0.40, 0.24, 0.06])
REACH = len(SPREAD) // 2  # marks on both sides of a grain that its shape depends on


@dataclass(frozen=True, eq=False)
class Grains:
    """`spectra` complex (n_channels, n_marks, n_bins) of grains about their marks, which lie at
    the first of `size` samples; `before` and `after` the half lengths."""

    spectra: NDArray[np.complex128]
    size: int
    before: FloatArray
    after: FloatArray


@compiled
def _cut(
    out: FloatArray, x: FloatArray, marks: FloatArray, before: FloatArray, after: FloatArray
) -> None:
    """Windowed grains, the mark's whole sample first and what lies before it at the end."""
    size = out.shape[2]
    for k in range(len(marks)):
        middle = math.floor(marks[k])
        part = marks[k] - middle
        first = max(math.ceil(part - before[k]), -middle)
        last = min(math.floor(part + after[k]), x.shape[1] - 1 - middle)
        turn = math.ceil(part)
        for begin, end, half in ((first, turn, before[k]), (max(turn, first), last + 1, after[k])):
            step = math.pi / half
            wave = complex(math.cos(step * (begin - part)), math.sin(step * (begin - part)))
            on = complex(math.cos(step), math.sin(step))
            for i in range(begin, min(end, last + 1)):
                weight = 0.5 + 0.5 * wave.real
                wave *= on
                place = i if i >= 0 else i + size
                for c in range(x.shape[0]):
                    out[c, k, place] = weight * x[c, middle + i]


def _turns(angle: FloatArray, n_bins: int) -> NDArray[np.complex128]:
    """For each angle what turns bin 0, 1, 2 ... of a spectrum by 0, 1, 2 ... times it,
    (n_angles, n_bins)."""
    known = min(8, n_bins)
    turn = np.empty((len(angle), n_bins), dtype=np.complex128)
    turn[:, :known] = np.exp(1j * angle[:, None] * np.arange(known))
    while known < n_bins:  # what is known, turned on by as many bins, doubles it
        more = min(known, n_bins - known)
        on = np.exp(1j * known * angle)[:, None]
        np.multiply(turn[:, :more], on, out=turn[:, known : known + more])
        known += more
    return turn


def half_lengths(marks: FloatArray) -> tuple[FloatArray, FloatArray]:
    """How far the grain about each mark reaches before and after it: to the next mark."""
    length = np.diff(marks)
    return np.append(length[0], length), np.append(length, length[-1])


def grain_size(before: FloatArray, after: FloatArray, *, stretched: float = 1.0) -> int:
    """Samples in which the longest grain fits, `stretched` as often as long, with room for what
    the correction adds."""
    from scipy.fft import next_fast_len

    longest = max(stretched, 1.0) * float((0.5 * (before + after)).max())
    return int(next_fast_len(int(3.2 * longest) + 8, real=True))


def cut_grains(
    x: FloatArray, marks: FloatArray, *, before: FloatArray, after: FloatArray, size: int
) -> Grains:
    """Grains of `x`, (n_channels, n_samples), one a mark."""
    from scipy.fft import rfft

    cut = np.zeros((x.shape[0], len(marks), size))
    _cut(cut, x, marks, before, after)
    spectra = np.asarray(rfft(cut, axis=2))
    # Each mark then falls on a whole sample, that much earlier.
    spectra *= _turns(2 * math.pi * (marks - np.floor(marks)) / size, spectra.shape[2])
    return Grains(spectra, size, before, after)


@compiled
def _fill(
    level: FloatArray, bins_per_harmonic: FloatArray, top: float, fade: float, limit: float
) -> FloatArray:
    """For each grain, what to add to `level` (nepers) between harmonics: the difference from a
    cubic through the harmonics (Catmull-Rom), below the first one from its own level."""
    n_marks, n_bins = level.shape
    out = np.zeros((n_marks, n_bins))
    for k in range(n_marks):
        step = bins_per_harmonic[k]
        n_harmonics = int((n_bins - 2) / step)
        if n_harmonics < 2:
            continue
        heard = np.empty(n_harmonics + 2)
        for h in range(1, n_harmonics + 1):
            place = int(h * step)
            part = h * step - place
            heard[h] = level[k, place] + part * (level[k, place + 1] - level[k, place])
        heard[0], heard[n_harmonics + 1] = heard[1], heard[n_harmonics]
        for h in range(n_harmonics):
            low, high = heard[h], heard[h + 1]
            rise, fall = 0.5 * (high - heard[max(h - 1, 0)]), 0.5 * (heard[h + 2] - low)
            for i in range(int(h * step) + 1, int((h + 1) * step) + 1):
                share = min(max((top - i) / fade, 0.0), 1.0)
                if h == 0:
                    share *= min(max(4 * i / step - 1.0, 0.0), 1.0)
                if share <= 0.0:
                    continue
                u = i / step - h
                wanted = (
                    (1 + 2 * u) * (1 - u) ** 2 * low
                    + u * (1 - u) ** 2 * rise
                    + u * u * (3 - 2 * u) * high
                    - u * u * (1 - u) * fall
                )
                out[k, i] = share * min(max(wanted - level[k, i], -limit), limit)
    return out


def common_part(spectra: NDArray[np.complex128], spread: FloatArray) -> NDArray[np.complex128]:
    """What each grain has in common with its neighbours, weighed by `spread`: the periodic part
    of the voice."""
    reach, n_marks = len(spread) // 2, spectra.shape[1]
    wide = np.pad(spectra, ((0, 0), (reach, reach), (0, 0)), mode="edge")
    out = spread[0] * wide[:, :n_marks]
    for j, share in enumerate(spread[1:], start=1):
        out += share * wide[:, j : j + n_marks]
    return np.asarray(out)


def correction(periodic: NDArray[np.complex128], *, grains: Grains, rate_hz: int) -> FloatArray:
    """Nepers to add to each bin of the periodic part of each grain, as far up as there is anything
    to add, the same for all channels, (n_marks, n_low_bins)."""
    bins_per_hz = grains.size / rate_hz
    step = grains.size / (0.5 * (grains.before + grains.after))
    top = TOP_HZ * bins_per_hz
    low = periodic[:, :, : int(top + 2 * step.max()) + 2]  # a curve needs two harmonics beyond
    level = 0.5 * np.log(np.sum(low.real**2 + low.imag**2, axis=0) + 1e-20)
    return _fill(level, step, top, FADE_HZ * bins_per_hz, LIMIT_DB * math.log(10) / 20)


def _shape(
    spectra: NDArray[np.complex128],
    periodic: NDArray[np.complex128],
    filled: FloatArray,
    sources: FloatArray,
    amount: FloatArray,
) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
    """Spectra of the grains to be laid out: the periodic part, read between two grains and
    corrected by `filled`, and the rest, that of the nearest grain."""
    a = np.minimum(sources.astype(np.int64), spectra.shape[1] - 2)
    share = (sources - a)[:, None]
    near = np.where(share[:, 0] < 0.5, a, a + 1)
    made = (1 - share) * periodic[:, a] + share * periodic[:, a + 1]
    low = filled.shape[1]
    made[:, :, :low] *= np.exp(amount[:, None] * ((1 - share) * filled[a] + share * filled[a + 1]))
    return made, spectra[:, near] - periodic[:, near]


@compiled
def _missing(power: FloatArray, step: FloatArray, ratio: FloatArray, top: float) -> FloatArray:
    """For each grain, by how much (nepers) the harmonics of its own pitch, `step` bins apart, are
    stronger than those of `ratio` times that pitch, as overlapping grains add up to them."""
    out = np.zeros(len(power))
    for j in range(len(power)):
        total = np.zeros(2)
        for k, apart in enumerate((step[j], step[j] * ratio[j])):
            for h in range(1, int(min(top, power.shape[1] - 2) / apart) + 1):
                place = int(h * apart)
                part = h * apart - place
                total[k] += (1 - part) * power[j, place] + part * power[j, place + 1]
        if total[0] > 0.0 and total[1] > 0.0:
            out[j] = 0.5 * math.log(total[0] / (ratio[j] * total[1]))
    return out


def _far(ratio: FloatArray) -> FloatArray:
    """How far each move is: 0 within NEAR_CENTS, 1 from FAR_CENTS on."""
    beyond = np.abs(1200 * np.log2(ratio)) - NEAR_CENTS
    return np.asarray(np.clip(beyond / (FAR_CENTS - NEAR_CENTS), 0, 1))


def _held(
    made: NDArray[np.complex128],
    far: FloatArray,
    *,
    grains: Grains,
    sources: FloatArray,
    ratio: FloatArray,
    rate_hz: int,
) -> FloatArray:
    """Factor for each bin of each grain that keeps within bounds what its harmonics lose or gain by
    a move, as `far` as it is (0 to 1)."""
    hz = np.arange(made.shape[2]) * rate_hz / grains.size
    power = np.sum(made.real**2 + made.imag**2, axis=0)
    period = 0.5 * (grains.before + grains.after)
    step = grains.size / np.interp(sources, np.arange(len(period)), period)
    top = TOP_HZ * grains.size / rate_hz
    missing_db = 20 / math.log(10) * _missing(power, step, ratio, top)
    within = np.clip(missing_db, -MOST_DB, MOST_DB)
    beyond = within - np.clip(within, -FREE_DB, FREE_DB)
    share = np.clip((TOP_HZ - hz) / FADE_HZ, 0, 1)
    return np.asarray(10 ** ((far * beyond)[:, None] * share / 20))


def shape_grains(
    grains: Grains,
    *,
    rate_hz: int,
    sources: FloatArray,
    amount: FloatArray,
    gain: FloatArray,
    delay: FloatArray,
    ratio: FloatArray | None = None,
    formants: FloatArray | None = None,
) -> FloatArray:
    """Samples of the grains to lay out, (n_channels, n_targets, size), centre first.

    For target j: what lies at the place `sources[j]` between the grains, `amount[j]` of the
    correction, `gain[j]`, `delay[j]` samples (a fraction) later, its formants at `formants[j]`
    times their frequency.
    """
    from scipy.fft import irfft

    periodic = common_part(grains.spectra, SPREAD)
    filled = correction(periodic, grains=grains, rate_hz=rate_hz)
    made, rest = _shape(grains.spectra, periodic, filled, sources, amount)
    far = np.zeros(0) if ratio is None else _far(ratio)
    if ratio is not None and far.any():
        made *= _held(made, far, grains=grains, sources=sources, ratio=ratio, rate_hz=rate_hz)
    out = made + rest
    if formants is not None and np.any(formants != 1):
        return gain[:, None] * read_faster(out, grains.size, ratio=formants, delay=delay)
    out *= gain[:, None] * _turns(-2 * math.pi * delay / grains.size, out.shape[2])
    return np.asarray(irfft(out, n=grains.size, axis=2))


def read_faster(
    spectra: NDArray[np.complex128], size: int, *, ratio: FloatArray, delay: FloatArray
) -> FloatArray:
    """Samples of grains read `ratio` times as fast about their centre, which moves their whole
    spectrum by it, each `delay` samples later: read between samples by cubics through FINER times
    as many; nothing is left above half the rate."""
    from scipy.fft import irfft

    top = spectra.shape[2] / np.maximum(ratio, 1.0)
    kept = np.where(np.arange(spectra.shape[2]) < top[:, None], spectra, 0.0)
    fine = FINER * irfft(kept, n=FINER * size, axis=2)
    n = np.arange(size) - np.where(np.arange(size) >= size - size // 2, size, 0)
    at = ratio[:, None] * (n - delay[:, None])
    place = np.floor(FINER * at)
    u = FINER * at - place
    weights = (
        -u * (u - 1) * (u - 2) / 6,
        (u + 1) * (u - 1) * (u - 2) / 2,
        -(u + 1) * u * (u - 2) / 2,
        (u + 1) * u * (u - 1) / 6,
    )
    out = np.zeros((*spectra.shape[:2], size))
    for j, weight in enumerate(weights, start=-1):
        index = ((place + j) % (FINER * size)).astype(np.int64)
        out += weight * np.take_along_axis(fine, np.broadcast_to(index, out.shape), axis=2)
    return out * (np.abs(at) < size // 2 - 1)


@compiled
def add_grains(out: FloatArray, made: FloatArray, whole: NDArray[np.int64]) -> None:
    """Add each grain to `out` about its whole sample, its outer fifths faded: the correction
    rings on a little, and its ends must not click."""
    n_channels, n_targets, size = made.shape
    half = size // 2
    fade = np.ones(size)
    for i in range(-half, size - half):
        beyond = (abs(i) / half - 0.8) / 0.2
        if beyond > 0:
            fade[i if i >= 0 else i + size] = 0.5 + 0.5 * math.cos(math.pi * min(beyond, 1.0))
    for c in range(n_channels):
        for j in range(n_targets):
            for i in range(-half, size - half):
                n = whole[j] + i
                if 0 <= n < out.shape[1]:
                    place = i if i >= 0 else i + size
                    out[c, n] += fade[place] * made[c, j, place]
