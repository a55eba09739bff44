"""Where phrases begin, judged from the melody alone.

Each note gets a score that a phrase begins with it: a weighted sum of the length of the note
before, the rest, the LBDM strength, the leap, whether it stands where the first note stood in its
bar or pair of bars, and whether its rhythm repeats the opening's. The best set of beginnings is
found by dynamic programming with a liking for phrases of equal length. The weights are a logistic
regression on every second tune (1st, 3rd ...) of the Erk part of the Essen collection as music21
ships it; the other half is what tests/bench/bench_phrases.py reports.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from retune.analysis.lbdm import boundary_strength
from retune.carriers.heard import FloatArray

# Lengths tried, in bars (where bars are unknown: in four typical note lengths).
LENGTHS = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)
LENGTH_SPREAD = 0.4
RHYTHM_NOTES = 4
REST_BEATS = 0.05
# In log odds; chosen on one invented song.
BREATHLESS_COST = 2.0
# A recording is cut a little more readily than a score (bench_endings.py --fit).
RECORDED_GAIN = 0.5
# Singers come this many beats early or late.
LOOSE_BEATS = 0.2


@dataclass(frozen=True)
class Model:
    """Weights of the ten features, the constant, and the cost of an unlike length."""

    weights: tuple[float, ...]
    constant: float
    length_cost: float


WITH_BARS = Model((0.52, 0.34, 0.60, 1.03, 2.25, 0.69, 1.27, 0.09, 4.09, 1.10), -4.51, 0.7)
WITHOUT_BARS = Model((0.48, 0.29, 0.53, 0.97, 1.91, 1.79, 1.38, 0.0, 0.0, 1.64), -3.24, 1.5)


def features(
    onset: FloatArray, duration: FloatArray, midi: FloatArray, *, bar_beats: float | None
) -> FloatArray:
    """The ten features of each note; onsets and durations in beats, (n, 10)."""
    n = len(onset)
    table = np.zeros((n, 10))
    spacing = np.append(np.diff(onset), duration[-1])
    spacing = np.maximum(spacing, 1e-3)
    rest = np.maximum(onset[1:] - (onset[:-1] + duration[:-1]), 0.0)
    before, after = spacing[:-1], spacing[1:]
    earlier = np.concatenate((before[:1], before[:-1]))
    table[1:, 0] = np.clip(np.log2(before / np.median(spacing)), -2, 3)
    table[1:, 1] = np.clip(np.log2(before / earlier), -2, 2)
    table[1:, 2] = np.clip(np.log2(before / after), -2, 2)
    table[1:, 3] = np.clip(rest, 0, 1)
    table[1:, 4] = rest > REST_BEATS
    table[1:, 5] = boundary_strength(onset, duration, midi)[1:]
    table[1:, 6] = np.minimum(np.abs(np.diff(midi)), 12) / 12
    if bar_beats is not None:
        for column, length in ((7, bar_beats), (8, 2 * bar_beats)):
            away = (onset - onset[0]) / length
            away = np.abs(away - np.round(away)) * length
            table[:, column] = np.exp(-((away / LOOSE_BEATS) ** 2))
    k = RHYTHM_NOTES
    for i in range(1, n - k):
        table[i, 9] = np.mean(np.abs(np.log2(spacing[i : i + k] / spacing[:k])) < 0.25)
    return table


def phrase_starts(
    onset: FloatArray,
    duration: FloatArray,
    midi: FloatArray,
    *,
    bar_beats: float | None = None,
    breathes: bool = False,
) -> list[int]:
    """Indices of the notes that begin phrases, the first always among them.

    Parameters
    ----------
    onset, duration : float64 (n,)
        In beats (in typical note lengths where beats are unknown).
    midi : float64 (n,)
    bar_beats : float, optional
        Length of a bar in beats, where bars are known.
    breathes : bool
        The notes are a recording, in which rests are breaths: where there are some, a phrase
        hardly begins without one. (A score often leaves them to the singer.)
    """
    n = len(onset)
    if n < 4:
        return [0] if n else []
    model = WITHOUT_BARS if bar_beats is None else WITH_BARS
    score = features(onset, duration, midi, bar_beats=bar_beats) @ np.array(model.weights)
    score += model.constant
    score += RECORDED_GAIN if breathes else 0.0
    rests = onset[1:] - (onset[:-1] + duration[:-1]) > REST_BEATS
    if breathes and np.sum(rests) >= 2:
        score[1:] -= np.where(rests, 0.0, BREATHLESS_COST)
    unit = bar_beats or 4.0 * float(np.median(np.diff(onset)))
    place = np.append(onset, onset[-1] + duration[-1]) / unit
    tries = [_best(score, place, length, model.length_cost) for length in LENGTHS]
    return max(tries, key=lambda pair: pair[0])[1]


def _best(
    score: FloatArray, place: FloatArray, length: float, cost: float
) -> tuple[float, list[int]]:
    """The best beginnings when phrases are to be about `length` long, and their score."""
    n = len(score)
    total = np.full(n + 1, -np.inf)
    total[0] = 0.0
    back = np.zeros(n + 1, dtype=np.int64)
    for i in range(1, n + 1):
        lengths = np.maximum(place[i] - place[:i], 0.05)
        unlike = np.minimum(np.abs(np.log2(lengths / length)) / LENGTH_SPREAD, 3.0)
        choice = total[:i] - cost * unlike
        back[i] = int(np.argmax(choice))
        total[i] = choice[back[i]] + (score[i] if i < n else 0.0)
    starts, i = [], n
    while i > 0:
        i = int(back[i])
        starts.append(i)
    return float(total[n]), starts[::-1]
