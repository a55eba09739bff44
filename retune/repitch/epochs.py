"""Epochs: one mark a pitch period, at the same place of every period.

A mark follows the phase of the fundamental, read through a Hann window of three periods (its
zeros fall on the other harmonics), so that marks neither drift nor jump and the jitter of a voice
stays inside its grains. All marks of a run are then moved together, slowly, to where the energy
of the period is, which is where the vocal folds close.
"""

from __future__ import annotations

import functools
import math

import numpy as np
from numpy.typing import NDArray

from retune.carriers.heard import FloatArray, frozen_array
from retune.sound.compiled import compiled, inlined

MAX_CORRECTION = 0.15
SMOOTH_CYCLES = 32.0
TOP_HZ = 5000.0
MAX_HARMONICS = 12
POINTS = 48
ANALYSIS_HZ = 11000
# Marks are smoothed over this many periods, or as many as fit into STEADY_S; the more of it the
# further they stray from a smooth course, between these shares of a period.
STEADY_MARKS, STEADY_S = 9, 0.06
SURE, UNSURE = 0.003, 0.007
NEIGHBOURS = 16


@compiled
def fundamental(x: FloatArray, at: float, period: float) -> tuple[float, float]:
    """Phase in cycles (-0.5..0.5) and amplitude of the sinusoid of `period` samples about `at`."""
    half = 1.5 * period
    first, last = max(math.ceil(at - half), 0), min(math.floor(at + half), len(x) - 1)
    step, wide = 2 * math.pi / period, math.pi / half
    c, s = math.cos(step * (first - at)), math.sin(step * (first - at))
    dc, ds = math.cos(step), math.sin(step)
    wc, ws = math.cos(wide * (first - at)), math.sin(wide * (first - at))
    dwc, dws = math.cos(wide), math.sin(wide)
    re = im = total = 0.0
    for n in range(first, last + 1):
        weight = 0.5 + 0.5 * wc
        re += weight * x[n] * c
        im -= weight * x[n] * s
        total += weight
        c, s = c * dc - s * ds, s * dc + c * ds
        wc, ws = wc * dwc - ws * dws, ws * dwc + wc * dws
    if total <= 0.0:
        return 0.0, 0.0
    return math.atan2(im, re) / (2 * math.pi), 2 * math.hypot(re, im) / total


@inlined
def _rms(x: FloatArray, at: float, half: float) -> float:
    first, last = max(int(at - half), 0), min(int(at + half) + 1, len(x))
    total = 0.0
    for n in range(first, last):
        total += x[n] * x[n]
    return math.sqrt(total / max(last - first, 1))


@compiled
def _period(log_period: FloatArray, frame: float, at: float) -> float:
    position = min(max(at / frame, 0.0), len(log_period) - 1.0)
    i = min(int(position), len(log_period) - 2)
    part = position - i
    return math.exp((1 - part) * log_period[i] + part * log_period[i + 1])


@compiled
def likeness(x: FloatArray, at: float, lag: float) -> float:
    """Normalized correlation of the period before `at` with the period after it."""
    width = round(lag)
    a, b = round(at - lag), round(at)
    if a < 0 or b + width > len(x):
        return 0.0
    ab = aa = bb = 0.0
    for n in range(width):
        ab += x[a + n] * x[b + n]
        aa += x[a + n] * x[a + n]
        bb += x[b + n] * x[b + n]
    return ab / math.sqrt(aa * bb) if aa > 0 and bb > 0 else 0.0


@inlined
def _settle(x: FloatArray, guess: float, period: float, loud: float) -> float:
    """The mark near `guess`: where the fundamental's phase is 0; `guess` itself when the
    fundamental is lost in the rest."""
    mark = guess
    for _ in range(2):
        phase, amplitude = fundamental(x, mark, period)
        trust = min(1.0, amplitude / (0.05 * loud + 1e-12))
        turn = min(max(phase * trust, -MAX_CORRECTION), MAX_CORRECTION)
        mark -= turn * period
    return mark


@compiled
def march(
    x: FloatArray, log_period: FloatArray, frame: float, first: float, start: float, stop: float
) -> FloatArray:
    """Marks from `first` on in steps of a period until `start` or `stop` is passed, in order."""
    limit = int((stop - start) / 2.0) + 4
    ahead, back = np.empty(limit), np.empty(limit)
    n_ahead = n_back = 0
    for direction in (1, -1):
        mark = first
        while True:
            period = _period(log_period, frame, mark)
            period = _period(log_period, frame, mark + direction * 0.5 * period)
            guess = mark + direction * period
            if guess < start or guess > stop:
                break
            loud = _rms(x, guess, 1.5 * period)
            here = _settle(x, guess, _period(log_period, frame, guess), loud)
            if abs(here - mark) < 0.5 * period:
                break
            mark = here
            if direction > 0 and n_ahead < limit:
                ahead[n_ahead] = mark
                n_ahead += 1
            elif direction < 0 and n_back < limit:
                back[n_back] = mark
                n_back += 1
            else:
                break
    out = np.empty(n_back + 1 + n_ahead)
    for i in range(n_back):
        out[i] = back[n_back - 1 - i]
    out[n_back] = first
    for i in range(n_ahead):
        out[n_back + 1 + i] = ahead[i]
    return out


@compiled
def _energy_phase(x: FloatArray, marks: FloatArray) -> tuple[FloatArray, FloatArray]:
    """First circular moment of the energy of the differentiated signal, cycle by cycle."""
    n = len(marks) - 1
    re, im = np.zeros(n), np.zeros(n)
    for k in range(n):
        length = marks[k + 1] - marks[k]
        total = 0.0
        begin = max(int(marks[k]) + 1, 1)
        angle = 2 * math.pi * (begin - 0.5 - marks[k]) / length
        c, s = math.cos(angle), math.sin(angle)
        dc, ds = math.cos(2 * math.pi / length), math.sin(2 * math.pi / length)
        for i in range(begin, min(int(marks[k + 1]) + 1, len(x))):
            energy = (x[i] - x[i - 1]) ** 2
            re[k] += energy * c
            im[k] += energy * s
            total += energy
            c, s = c * dc - s * ds, s * dc + c * ds
        if total > 0:
            re[k] /= total
            im[k] /= total
    return re, im


def _windows(x: FloatArray, marks: FloatArray, points: int) -> FloatArray:
    """Three periods about each mark, each period read at `points` even places; 0 beyond `x`."""
    n, half = len(marks), 3 * points // 2
    a, b = np.maximum(np.arange(n) - 1, 0), np.minimum(np.arange(n) + 1, n - 1)
    step = (marks[b] - marks[a]) / ((b - a) * points)
    place = marks[:, None] + np.arange(-half, half) * step[:, None]
    first, last = max(int(place.min()), 0), min(int(place.max()) + 2, len(x))
    near = np.arange(first, last, dtype=np.float64)
    read = np.interp(place.ravel(), near, x[first:last], left=0.0, right=0.0)
    return np.asarray(read.reshape(place.shape))


def _harmonics(x: FloatArray, marks: FloatArray, top: int) -> NDArray[np.complex128]:
    """Phase and amplitude of the first `top` harmonics about each mark, (n_marks, top)."""
    from scipy.fft import rfft

    turn = (np.arange(3 * POINTS) - 1.5 * POINTS) / POINTS
    window = 0.5 + 0.5 * np.cos(2 * np.pi * turn / 3)
    # A harmonic is every third bin of three periods; they begin one and a half before the mark.
    bins = rfft(_windows(x, marks, POINTS) * window, axis=1)[:, 3 : 3 * top + 1 : 3]
    return np.asarray(bins * (-1.0) ** np.arange(1, top + 1))


def _middle_turn(harmonics: NDArray[np.complex128]) -> FloatArray:
    """For each mark but the first, how far from a whole turn the voice is since the one before, in
    cycles: the weighted median over the harmonics."""
    amplitude, number = np.abs(harmonics), np.arange(1, harmonics.shape[1] + 1)
    both = np.minimum(amplitude[:-1], amplitude[1:])
    share = both / np.maximum(both.max(axis=1, keepdims=True), 1e-12)
    turn = np.angle(harmonics[1:] * harmonics[:-1].conj()) / (2 * np.pi * number)
    weight = np.where(share > 0.03, np.sqrt(share) * number, 0.0)
    order = np.argsort(turn, axis=1, kind="stable")
    passed = np.cumsum(np.take_along_axis(weight, order, axis=1), axis=1)
    middle = np.argmax(passed >= 0.5 * passed[:, -1:], axis=1)[:, None]
    return np.asarray(np.take_along_axis(turn, np.take_along_axis(order, middle, 1), 1)[:, 0])


def measured_periods(x: FloatArray, marks: FloatArray, *, rate_hz: int) -> FloatArray:
    """Length in samples of each period between marks, by what most harmonics say.

    When a formant passes a harmonic, that harmonic's phase turns and the fundamental alone
    would show a false bend of pitch; the weighted median over the harmonics to 5 kHz does not.
    """
    length = np.diff(marks)
    top = int(np.clip(TOP_HZ * np.median(length) / rate_hz, 1, MAX_HARMONICS))
    harmonics = _harmonics(x, marks, top)
    best = _middle_turn(harmonics)
    return np.asarray(length * (1 - best))


def _smooth(moment: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Gaussian mean over SMOOTH_CYCLES cycles."""
    reach = int(3 * SMOOTH_CYCLES)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / SMOOTH_CYCLES) ** 2)
    return np.asarray(np.convolve(np.pad(moment, reach, mode="edge"), kernel, mode="valid"))


def _towards_energy(x: FloatArray, marks: FloatArray, rate_hz: int) -> FloatArray:
    """`marks` moved to the same place of every period, where its energy is.

    From one mark to the next the harmonics together say how far the voice has come: the
    fundamental alone slips by up to half a period when a formant passes it. Over many periods
    the energy says where in the period to be.
    """
    length = np.diff(marks)
    slip = 1 - measured_periods(x, marks, rate_hz=rate_hz) / length
    ahead = np.cumsum(np.clip(slip, -MAX_CORRECTION, MAX_CORRECTION))
    re, im = _energy_phase(x, marks)
    moment = _smooth((re + 1j * im) * np.exp(2j * np.pi * ahead))
    place = np.unwrap(np.angle(moment)) / (2 * np.pi)
    drift = np.clip(np.diff(place), -MAX_CORRECTION, MAX_CORRECTION)
    turn = place[0] + np.append(0.0, np.cumsum(drift)) - ahead
    turn -= np.round(np.median(turn))
    return _read_between(marks, np.arange(len(marks)) + np.append(turn, turn[-1]))


def _read_between(marks: FloatArray, place: FloatArray) -> FloatArray:
    """`marks` at fractional places, beyond the ends by the last period there. Where the places
    rise the result does, however the periods change in length."""
    last = len(marks) - 1
    found = np.interp(place, np.arange(last + 1), marks)
    found += np.minimum(place, 0.0) * (marks[1] - marks[0])
    found += np.maximum(place - last, 0.0) * (marks[-1] - marks[-2])
    return np.asarray(found)


def strays(marks: FloatArray, *, rate_hz: int) -> tuple[FloatArray, FloatArray]:
    """How far each mark lies from a local parabola through its neighbours (samples), and how far
    those about it usually do (shares of a period): what room and noise do to them.

    The parabola is Savitzky & Golay's (1964, Analytical Chemistry 36, 1627-1639)."""
    from scipy.ndimage import median_filter

    period = np.gradient(marks)
    fit = int(STEADY_S * rate_hz / float(np.median(period)))
    width = min(STEADY_MARKS, max(5, fit - 1 + fit % 2), len(marks) - 1 + len(marks) % 2)
    if width < 5:
        return np.zeros(len(marks)), np.zeros(len(marks))
    fits = _parabolas(width)
    middle = width // 2
    away = marks - np.concatenate(
        [
            fits[:middle] @ marks[:width],
            np.convolve(marks, fits[middle], mode="valid"),
            fits[middle + 1 :] @ marks[-width:],
        ]
    )
    # The parabola bends towards each mark: what is left of a deviation is so much less.
    kept = np.sqrt(1 - fits[middle, middle])
    usual = median_filter(np.abs(away) / period, 2 * NEIGHBOURS + 1, mode="nearest")
    return away, 1.4826 * usual / kept


@functools.cache
def _parabolas(width: int) -> FloatArray:
    """The matrix (width, width) that gives the least-squares parabola through so many even places
    at each of them; scipy.signal, which has it too, takes most of a second to import."""
    places = np.linspace(-1, 1, width)
    basis, _ = np.linalg.qr(places[:, None] ** np.arange(3))
    return frozen_array(basis @ basis.T, np.float64)


def _steadied(marks: FloatArray, rate_hz: int) -> FloatArray:
    """`marks` drawn to a smooth course where they stray; where they do not, as they are."""
    away, usual = strays(marks, rate_hz=rate_hz)
    return np.asarray(marks - away * np.clip((usual - SURE) / (UNSURE - SURE), 0, 1))


def filled(marks: FloatArray, start: float, stop: float) -> FloatArray:
    """The marks within [start, stop], carried on to both ends by the last period there."""
    if not len(marks):
        return marks
    first, last = marks[1] - marks[0], marks[-1] - marks[-2]
    ahead = marks[0] - first * np.arange(max(int((marks[0] - start) / first), 0), 0, -1)
    beyond = marks[-1] + last * np.arange(1, max(int((stop - marks[-1]) / last), 0) + 1)
    whole = np.concatenate([ahead, marks, beyond])
    return np.asarray(whole[(whole >= start) & (whole <= stop)])


def thinned(x: FloatArray, *, rate_hz: int, to_hz: int = ANALYSIS_HZ) -> tuple[FloatArray, int]:
    """Means of a few samples each, at least `to_hz` in all, and how many samples each is of."""
    stride = max(rate_hz // to_hz, 1)
    whole = len(x) // stride * stride
    thin = np.array(x[:whole:stride])
    for i in range(1, stride):
        thin += x[i:whole:stride]
    return thin / stride, stride


def _first_mark(
    x: FloatArray, log_period: FloatArray, frame: float, start: float, stop: float
) -> float | None:
    """A mark in the loudest part of a run, where the fundamental is surest; None when the run
    holds fewer than three periods."""
    a, b = max(math.ceil(start), 0), min(math.floor(stop) + 1, len(x))
    if b - a < 2:
        return None
    middle = _period(log_period, frame, 0.5 * (a + b))
    width = round(2 * middle)
    total = np.concatenate([[0.0], np.cumsum(x[a:b] ** 2)])
    if len(total) <= width:
        return None
    loudest = float(a + int(np.argmax(total[width:] - total[:-width])) + width / 2)
    period = _period(log_period, frame, loudest)
    if stop - start < 3 * period:
        return None
    phase, _ = fundamental(x, loudest, period)
    return min(max(loudest - phase * period, start), stop)


def crests(
    x: FloatArray, *, f0_hz: FloatArray, rate_hz: int, frame_s: float, start: int, stop: int
) -> FloatArray:
    """Marks in samples (fractional) at the crests of the fundamental within [start, stop] of one
    voiced run; empty when the run holds fewer than three periods.

    `x` is mono, float64; `f0_hz` one value a frame of `frame_s`, finite over the run.
    """
    frame = frame_s * rate_hz
    known = np.flatnonzero(np.isfinite(f0_hz))
    if not len(known):
        return np.empty(0)
    log_period = np.interp(np.arange(len(f0_hz)), known, np.log(rate_hz / f0_hz[known]))
    thin, stride = thinned(x, rate_hz=rate_hz)
    late = 0.5 * (stride - 1)
    low, high = (start - late) / stride, (stop - late) / stride
    log_period -= np.log(stride)
    first = _first_mark(thin, log_period, frame / stride, low, high)
    if first is None:
        return np.empty(0)
    marks = late + stride * march(thin, log_period, frame / stride, first, low, high)
    return marks if len(marks) > 2 else np.empty(0)


def towards_energy(
    x: FloatArray, *, f0_hz: FloatArray, rate_hz: int, frame_s: float, start: int, stop: int
) -> FloatArray:
    """`crests` moved to where the energy of each period is, as near together as they are found."""
    marks = crests(x, f0_hz=f0_hz, rate_hz=rate_hz, frame_s=frame_s, start=start, stop=stop)
    return _towards_energy(x, marks, rate_hz) if len(marks) else marks


def epochs_of(marks: FloatArray, *, rate_hz: int, start: int, stop: int) -> FloatArray:
    """Marks `towards_energy` drawn to a smooth course as far as they stray from it, and carried on
    to both ends of their run."""
    return filled(_steadied(marks, rate_hz), start, stop) if len(marks) else marks


def find_epochs(
    x: FloatArray, *, f0_hz: FloatArray, rate_hz: int, frame_s: float, start: int, stop: int
) -> FloatArray:
    """The epochs of one voiced run, in samples (fractional); empty when it holds fewer than three
    periods. Parameters are those of `crests`."""
    marks = towards_energy(x, f0_hz=f0_hz, rate_hz=rate_hz, frame_s=frame_s, start=start, stop=stop)
    return epochs_of(marks, rate_hz=rate_hz, start=start, stop=stop)
