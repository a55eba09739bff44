"""Tempo and beats of an onset curve: its local autocorrelation, and the best row of beats.

The beats are those of Ellis 2007, "Beat tracking by dynamic programming", with a tempo that may
change along the way.
"""

from __future__ import annotations

import numpy as np

from retune.analysis.onset_curve import HOP_S
from retune.carriers.heard import FloatArray

WINDOW_S, STEP_S = 8.0, 1.0
SLOWEST_BPM, FASTEST_BPM = 45.0, 220.0
N_PEAKS, APART_OCTAVES = 4, 0.08
# Levels at which the strongest period may be heard.
LEVELS = (1.0, 2.0, 0.5, 1.5, 2 / 3, 3.0, 1 / 3)
# Fewer beats than two bars of four are no pulse.
FEWEST_BEATS = 8
# People tap near this tempo; a spread of an octave (Parncutt 1994; centre fitted).
LIKELIEST_BPM, SPREAD_OCTAVES = 110.0, 0.9
# How much a beat may leave its tempo: Ellis's tightness.
TIGHTNESS = 100.0
# A tempo change of this many octaves from one second to the next costs one unit of correlation.
STEADY_OCTAVES = 0.06
# A followed tempo stays within this of the whole song's.
ABOUT = 1.25


def tempogram(curve: FloatArray) -> FloatArray:
    """Autocorrelation about every STEP_S, (n_steps, n_lags), 1 at lag 0; lags in frames."""
    from scipy.fft import irfft, rfft

    window, step = round(WINDOW_S / HOP_S), round(STEP_S / HOP_S)
    n_lags = round(60.0 / SLOWEST_BPM / HOP_S) * 2
    padded = np.pad(curve - curve.mean(), window // 2)
    frames = np.lib.stride_tricks.sliding_window_view(padded, window)[::step]
    shape = np.hanning(window)

    def own(rows: FloatArray) -> FloatArray:
        spectrum = rfft(rows, n=2 * window, axis=1)
        return np.asarray(irfft(spectrum.real**2 + spectrum.imag**2, axis=1)[:, :n_lags])

    # A window overlaps itself less at longer lags: without its share short lags would win.
    share = own(shape[None])
    shaped = own(frames * shape)
    result: FloatArray = (shaped / np.maximum(shaped[:, :1], 1e-9)) / (share / share[0, 0])
    return result


def tempo_weight(bpm: FloatArray) -> FloatArray:
    """How likely a tempo is before anything is heard, 1 for the likeliest."""
    result: FloatArray = np.exp(-0.5 * (np.log2(bpm / LIKELIEST_BPM) / SPREAD_OCTAVES) ** 2)
    return result


def strongest_periods_s(lags: FloatArray) -> list[float]:
    """Beat periods at the strongest peaks of a tempogram, in seconds, the likeliest first."""
    mean = lags.mean(axis=0)
    k = np.arange(1, len(mean) - 1)
    peaks = k[(mean[1:-1] >= mean[:-2]) & (mean[1:-1] > mean[2:]) & (mean[1:-1] > 0)]
    periods = np.array([_finer(mean, int(p)) * HOP_S for p in peaks])
    worth = mean[peaks] * tempo_weight(60.0 / np.maximum(periods, 1e-3))
    return [float(p) for p in periods[np.argsort(-worth, kind="stable")][:N_PEAKS]]


def rival_tempi(lags: FloatArray, n_frames: int) -> list[FloatArray]:
    """Courses of the beat period that a tempogram may speak for, in seconds at every frame: that of
    its strongest peak, the same at other levels (half, third ...), and those of its next peaks."""
    strongest = strongest_periods_s(lags)
    if not strongest:
        return []
    first = followed_period_s(lags, strongest[0], n_frames)
    courses = [first * ratio for ratio in LEVELS]
    courses += [followed_period_s(lags, period, n_frames) for period in strongest[1:]]
    chosen: list[FloatArray] = []
    for course in courses:
        middle = float(np.median(course))
        is_new = all(abs(np.log2(middle / np.median(c))) > APART_OCTAVES for c in chosen)
        if SLOWEST_BPM <= 60.0 / middle <= FASTEST_BPM and is_new:
            chosen.append(course)
    return chosen


def beat_rows(curve: FloatArray, lags: FloatArray) -> list[FloatArray]:
    """Rows of beats in frames that may be the beat: for each rival tempo the best row, and the
    best one that falls between its beats."""
    rows = []
    for path in rival_tempi(lags, len(curve)):
        beats = beat_frames(curve, path)
        between = curve.copy()
        reach = float(np.median(path)) / HOP_S / 5
        for beat in beats:
            between[max(0, int(beat - reach)) : int(beat + reach) + 1] = 0.0
        others = beat_frames(between, path) if between.any() else np.zeros(0)
        rows += [row for row in (beats, others) if len(row) >= FEWEST_BEATS]
    return rows


def _finer(values: FloatArray, k: int) -> float:
    """The place of a maximum between samples, by the parabola through three."""
    if not 0 < k < len(values) - 1:
        return float(k)
    a, b, c = values[k - 1 : k + 2]
    bend = a - 2 * b + c
    return float(k if bend >= 0 else k + 0.5 * np.clip((a - c) / bend, -1.0, 1.0))


def followed_period_s(lags: FloatArray, period_s: float, n_frames: int) -> FloatArray:
    """The beat period at every frame: the likeliest path near `period_s` through a tempogram."""
    grid = period_s * np.geomspace(1 / ABOUT, ABOUT, 81)
    places = grid / HOP_S
    low = np.clip(places.astype(int), 0, lags.shape[1] - 2)
    score = lags[:, low] + (places - low) * (lags[:, low + 1] - lags[:, low])
    octaves = np.log2(grid)
    cost = (np.abs(octaves[:, None] - octaves) / STEADY_OCTAVES) ** 2
    path = grid[_cheapest(score, cost)]
    at = np.arange(len(path)) * round(STEP_S / HOP_S)
    result: FloatArray = np.interp(np.arange(n_frames), at, path)
    return result


def _cheapest(score: FloatArray, cost: FloatArray) -> list[int]:
    """The row of columns with the greatest score, less what each step costs."""
    total, back = score[0], []
    for row in score[1:]:
        reached = total[:, None] - cost
        back.append(np.argmax(reached, axis=0))
        total = np.max(reached, axis=0) + row
    path = [int(np.argmax(total))]
    for came in reversed(back):
        path.append(int(came[path[-1]]))
    return path[::-1]


def beat_frames(curve: FloatArray, period_s: FloatArray) -> FloatArray:
    """Places of the beats in frames (between samples), evenly spaced by the local period and
    where the curve is strong."""
    strength = _smoothed(curve, float(np.median(period_s))) / max(float(curve.std()), 1e-9)
    total, back = _best_rows(strength, period_s / HOP_S)
    period = max(1, round(float(period_s[-1]) / HOP_S))
    at = len(total) - period + int(np.argmax(total[-period:]))
    beats = []
    while at >= 0:
        beats.append(at)
        at = int(back[at])
    return np.array([_finer(strength, k) for k in beats[::-1]])


def _smoothed(curve: FloatArray, period_s: float) -> FloatArray:
    from scipy.ndimage import gaussian_filter1d

    result: FloatArray = gaussian_filter1d(curve, max(0.5, period_s / HOP_S / 32))
    return result


def _best_rows(
    strength: FloatArray, period: FloatArray
) -> tuple[FloatArray, np.ndarray[tuple[int], np.dtype[np.int64]]]:
    """For each frame the score of the best row of beats that ends there, and its last beat but
    one (-1 for none).

    No step is shorter than half a period, so that many frames are told at a time.
    """
    n, periods = len(strength), np.round(period, 1)
    at_once, longest = max(1, int(periods.min() / 2)), int(2 * periods.max())
    steps = np.arange(longest, at_once - 1, -1)
    # Before the first frame nothing ends.
    padded = np.concatenate([np.full(longest, -np.inf), strength])
    ending = np.lib.stride_tricks.sliding_window_view(padded, len(steps))
    back = np.full(n, -1)
    for first in range(0, n, at_once):
        frames = np.arange(first, min(first + at_once, n))
        reached = ending[frames] - _leaving(steps, periods[frames, None])
        best = reached.argmax(axis=1)
        worth = reached[np.arange(len(frames)), best]
        is_row = worth > 0
        padded[longest + frames[is_row]] += worth[is_row]
        back[frames[is_row]] = frames[is_row] - steps[best[is_row]]
    return padded[longest:], back


def _leaving(steps: np.ndarray[tuple[int], np.dtype[np.int64]], period: FloatArray) -> FloatArray:
    """What each step from beat to beat costs at each period: without end beyond half and twice."""
    is_far = (steps < np.maximum(1, (period / 2).astype(int))) | (steps > (2 * period).astype(int))
    return np.where(is_far, np.inf, TIGHTNESS * np.log(steps / period) ** 2)
