"""Which beat is meant, how many make a bar, and which is the first: rival readings, weighed.

Every reading (a row of beats, a meter, a first beat) is told by what a listener goes by: where
harmony and bass change, where long notes begin, what is struck hard and low, how each beat of the
bar divides, how fast beats come, and after how many all this comes again (Lerdahl & Jackendoff
1983, metrical preference rules). A conditional logit of these gives each reading its odds; its
weights, one for each meter, are fitted by tests/bench/fit_time.py on songs that
tests/bench/bench_time.py does not hold.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from retune.analysis.chord_listen import best_path
from retune.analysis.chord_templates import CHANGE_COST, chord_scores
from retune.analysis.chroma import HOP_S as SPECTRUM_S
from retune.analysis.chroma import Spectra
from retune.analysis.meter_weights import METERS, WEIGHTS
from retune.analysis.onset_curve import HOP_S, Curves
from retune.carriers.barlines import written_beats
from retune.carriers.heard import FloatArray

Notes = Sequence[tuple[float, float]]
# A note begins on a beat that is within this share of a beat, and on a division within that.
NEAR, NEAR_DIVISION = 0.2, 0.06
LONGEST_BEATS = 4.0
FIFTH_DOWN = 5
# Notes may be so many frames later or earlier than the curve, which counts no more than so many of
# its spreads above its mean.
MOST_APART, LOUD = 7, 3.0
# Bins of a spectrum below which the bass lies.
LOW_BINS = 90
# Where in a beat something may begin, and after how many beats things may come again.
DIVISIONS = (0.0, 1 / 6, 1 / 4, 1 / 3, 1 / 2, 2 / 3, 3 / 4, 5 / 6)
LAGS = (2, 3, 4, 6, 8)
# Those of DIVISIONS at which each beat of a bar is looked at; the most beats a bar has.
LOOKED_AT, MOST_BEATS = (0, 3, 4, 5), 4
# Kinds of what happens on beats, in the order of `_of_beats`: harmony, rhythm, notes.
HARMONY, RHYTHM, LEAD, BASS = (0, 1, 6, 7), (2, 3), (4,), (5,)
# Evidence of many bars says more than that of few, up to this many.
MANY_BARS, SOME_BARS = 20.0, 8.0
# Sound begins and ends where it is this far below its loudest, in power.
BEGINS, ENDS = 10**-3.5, 10**-4.0
# What evidence is called, in its order.
_SERIES = (
    "harmony", "low harmony", "struck", "low struck", "lead", "bass notes", "chord", "fifth"
)  # fmt: skip
_BETWEEN = ("struck", "new harmony", "lead", "bass notes")
_BEATS = ("one", "two", "three", "four")
KINDS = (
    "one", "octaves", "octaves squared", "notes a beat", "notes squared", "steady", "changes",
    "struck on the beat",
    *(f"over {place}" for place in ("1/6", "1/4", "1/3", "1/2", "2/3", "3/4", "5/6")),
    *(f"notes at {place}" for place in ("0", "1/6", "1/4", "1/3", "1/2", "2/3", "3/4", "5/6")),
    *(f"{kind} after {lag}" for kind in ("harmony", "rhythm", "lead", "bass") for lag in LAGS),
    "begins on one", "begins a beat before", "begins elsewhere", "last note on one",
    "last note in the middle", "ends with a bar", "ends with half a bar", "ends with two bars",
    "ends with four bars", "ends with eight bars",
    *(f"{kind} on {beat}" for beat in _BEATS for kind in _SERIES),
    *(
        f"{kind} {place} after {beat}"
        for kind in _BETWEEN
        for beat in _BEATS
        for place in ("1/3", "1/2", "2/3")
    ),
    *(
        f"{kind} on {place}"
        for place in ("the weakest beat", "the strongest half", "the strongest third")
        for kind in _BETWEEN
    ),
)  # fmt: skip


@dataclass(frozen=True)
class Heard:
    """What readings are told by: onset strength, spectra, and notes (start_s, end_s) of the
    leading line and of the bass."""

    curves: Curves
    spectra: Spectra
    lead: Notes
    bass: Notes


@dataclass(frozen=True, eq=False)
class Reading:
    """Beats in seconds, the meter they are read in, and which of them is the first downbeat."""

    beats_s: FloatArray
    meter: tuple[int, int]
    first: int

    @property
    def per_bar(self) -> int:
        return written_beats(self.meter)

    @property
    def tempo_bpm(self) -> float:
        return 60.0 / float(np.median(np.diff(self.beats_s)))


def readings(
    rows: Sequence[FloatArray], heard: Heard, meters: Sequence[tuple[int, int]] = METERS
) -> tuple[list[Reading], FloatArray]:
    """Every reading of some rows of beats (in frames), and its evidence, (n_readings, n_kinds)."""
    found, evidence = [], []
    heard = _together(heard)
    for row in rows:
        series, between = _of_beats(row, heard), _between(row, heard)
        whole = [*_of_row(row, heard, series), *_again(series)]
        ends = _Ends.of(row, heard)
        for meter in meters:
            per_bar = written_beats(meter)
            for first in range(min(per_bar, len(row) - 1)):
                found.append(Reading(row * HOP_S, meter, first))
                phase = [*ends.told(per_bar, first), *_on_beats(series, per_bar, first)]
                evidence.append([*whole, *phase, *_after_beats(between, per_bar, first)])
    return found, np.array(evidence)


def _together(heard: Heard) -> Heard:
    """What was heard, with its notes moved to where the curve rises: soft ones are heard later."""
    curve = heard.curves.all
    lead, bass = _in_time(heard.lead, curve), _in_time(heard.bass, curve)
    return Heard(heard.curves, heard.spectra, lead, bass)


def _in_time(notes: Notes, curve: FloatArray) -> Notes:
    """Notes moved as one to where a curve is strongest, by at most MOST_APART frames."""
    if not notes or not len(curve):
        return notes
    onsets = np.array([start_s for start_s, _ in notes]) / HOP_S
    apart = np.array(sorted(range(-MOST_APART, MOST_APART + 1), key=abs))
    even = np.minimum(curve, curve.mean() + LOUD * curve.std())
    struck = _peaks(even, onsets[:, None] - apart, reach=0).mean(axis=0)
    late_s = HOP_S * float(apart[struck.argmax()])
    return [(start_s - late_s, end_s - late_s) for start_s, end_s in notes]


def odds(found: Sequence[Reading], evidence: FloatArray) -> FloatArray:
    """How likely each reading is, (n_readings,); they sum to 1."""
    table = np.array(list(WEIGHTS.values()))
    meters = [METERS.index(reading.meter) for reading in found]
    told = np.sum(evidence * table.T[meters], axis=1)
    chance = np.exp(told - told.max())
    return np.asarray(chance / chance.sum())


def _of_row(row: FloatArray, heard: Heard, series: Series) -> list[float]:
    """What speaks for a row of beats as such."""
    gaps = np.diff(row)
    period = float(np.median(gaps))
    octaves = float(np.log2(60.0 / (period * HOP_S) / 110.0))
    n_notes = max(1, sum(row[0] - period < a / HOP_S < row[-1] + period for a, _ in heard.lead))
    notes = float(np.log2(n_notes / len(row))) if heard.lead else 0.0
    struck = _struck(row, heard.curves.all)
    steady = float(np.std(np.log2(gaps / period)))
    beginnings = _beginnings(row * HOP_S, heard.lead)
    return [
        *(1.0, octaves, octaves**2, notes, notes**2, steady, series.changes),
        *(struck[0], *(struck[0] - struck[1:]), *beginnings),
    ]


def _struck(row: FloatArray, curve: FloatArray) -> FloatArray:
    """How strong the curve is at each of DIVISIONS, in units of its spread."""
    scaled = (curve - curve.mean()) / max(float(curve.std()), 1e-9)
    at = row[:-1] + np.array(DIVISIONS)[:, None] * np.diff(row)
    return np.asarray(_peaks(scaled, at).mean(axis=1))


def _beginnings(beats_s: FloatArray, notes: Notes) -> FloatArray:
    """Which share of the notes begins at each of DIVISIONS."""
    onsets = np.array([a for a, _ in notes if beats_s[0] <= a < beats_s[-1]])
    counts = np.zeros(len(DIVISIONS))
    if len(onsets):
        k = np.searchsorted(beats_s, onsets, side="right") - 1
        place = (onsets - beats_s[k]) / (beats_s[k + 1] - beats_s[k])
        apart = np.abs(place[:, None] - np.append(DIVISIONS, 1.0))
        nearest = apart.argmin(axis=1)[apart.min(axis=1) < NEAR_DIVISION]
        np.add.at(counts, nearest % len(DIVISIONS), 1.0)
    return counts / max(len(notes), 1)


@dataclass(frozen=True, eq=False)
class Series:
    """What happens at each beat, (n_kinds, n_beats), in units of its spread, and on which share of
    the beats the chord changes."""

    rows: FloatArray
    changes: float


def _of_beats(row: FloatArray, heard: Heard) -> Series:
    edges = np.append(row, row[-1] + np.diff(row)[-1]) * HOP_S
    fine, _power = heard.spectra.means(edges)
    moved = _root_moves(heard.spectra, edges)
    series = [
        _novelty(_unit(fine)),
        _novelty(_unit(fine[:, :LOW_BINS])),
        _peaks(heard.curves.all, row),
        _peaks(heard.curves.low, row),
        _lengths(heard.lead, row),
        _lengths(heard.bass, row),
        moved != 0,
        moved == FIFTH_DOWN,
    ]
    scaled = np.array([(x - x.mean()) / max(float(x.std()), 1e-6) for x in series])
    return Series(scaled, float(np.mean(moved != 0)))


def _unit(rows: FloatArray) -> FloatArray:
    return np.asarray(rows / np.maximum(np.linalg.norm(rows, axis=1, keepdims=True), 1e-9))


def _novelty(rows: FloatArray) -> FloatArray:
    """How little each beat has in common with the one before, and the two with the two before."""
    one = np.ones(len(rows))
    one[1:] = 1 - np.sum(rows[1:] * rows[:-1], axis=1)
    two = one.copy()
    if len(rows) > 4:
        pairs = _unit(rows[1:] + rows[:-1])
        two[2:-1] = 1 - np.sum(pairs[2:] * pairs[:-2], axis=1)
    one[0] = two[0] = one[1:].mean()
    return one + two


def _root_moves(spectra: Spectra, edges_s: FloatArray) -> FloatArray:
    """By how many semitones the root rises on each beat, by the templates of chords; 0 where the
    chord stays. A chord of another kind on the same root counts as none."""
    score = chord_scores(spectra.rough_tones(edges_s))
    path = np.array(best_path(score, np.full(len(score), CHANGE_COST)))
    return np.concatenate(([0.0], (path[1:] - path[:-1]) % 12))


def _peaks(curve: FloatArray, row: FloatArray, reach: int = 2) -> FloatArray:
    """The greatest value within `reach` frames of each place."""
    padded = np.pad(curve, reach)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).max(axis=1)
    at = (row + 0.5).astype(int)
    inside = (at >= 0) & (at < len(windows))
    return np.where(inside, windows[np.clip(at, 0, len(windows) - 1)], 0.0)


def _lengths(notes: Notes, row: FloatArray) -> FloatArray:
    """How long notes last that begin on each beat, in beats."""
    beats = row * HOP_S
    period = float(np.median(np.diff(beats)))
    result = np.zeros(len(row))
    for start_s, end_s in notes:
        k = int(np.argmin(np.abs(beats - start_s)))
        if abs(beats[k] - start_s) < NEAR * period:
            result[k] = max(result[k], min((end_s - start_s) / period, LONGEST_BEATS))
    return result


def _again(series: Series) -> list[float]:
    """How much what happens comes again after each of LAGS beats, by kinds."""
    x = series.rows
    n = x.shape[1]
    again = [(x[:, k:] * x[:, :-k]).mean(axis=1) if n > k + 4 else np.zeros(len(x)) for k in LAGS]
    return [float(a[list(kinds)].mean()) for kinds in (HARMONY, RHYTHM, LEAD, BASS) for a in again]


@dataclass(frozen=True)
class _Ends:
    """On which beats a song begins and ends, and on which the leading line's last note begins (None
    where on none)."""

    begins: int
    ends: int
    last: int | None

    @classmethod
    def of(cls, row: FloatArray, heard: Heard) -> _Ends:
        beats_s, power = row * HOP_S, heard.spectra.power
        if not power.any():
            return cls(0, len(row), None)
        begins_s = np.flatnonzero(power > power.max() * BEGINS)[0] * SPECTRUM_S
        ends_s = np.flatnonzero(power > power.max() * ENDS)[-1] * SPECTRUM_S
        begins = min(max(0, int(np.searchsorted(beats_s, begins_s, "right")) - 1), len(row) - 1)
        ends = round(float(np.interp(ends_s, beats_s, np.arange(len(row)))))
        last = None
        if heard.lead:
            k = int(np.argmin(np.abs(beats_s - heard.lead[-1][0])))
            near = NEAR * float(np.median(np.diff(beats_s)))
            last = k if abs(beats_s[k] - heard.lead[-1][0]) < near else None
        return cls(begins, ends, last)

    def told(self, per_bar: int, first: int) -> list[float]:
        """Whether the song begins on a downbeat, a beat before or elsewhere; its last note on a
        downbeat or in the middle of a bar of four; its end with a bar, half a bar of four, or two,
        four or eight bars."""
        before = (self.begins - first) % per_bar
        last = None if self.last is None else (self.last - first) % per_bar
        after = (self.ends - first) % per_bar
        bars = self.ends - first - max(0, self.begins - first)
        return [
            float(before == 0),
            float(before == per_bar - 1),
            float(before not in (0, per_bar - 1)),
            float(last == 0),
            float(per_bar == 4 and last == 2),
            float(after == 0),
            float(per_bar == 4 and after == 2),
            *(float(bars % (count * per_bar) == 0) for count in (2, 4, 8)),
        ]


def _scale(n_beats: int, per_bar: int) -> float:
    """How much evidence of so many bars counts."""
    return float(np.sqrt(min(n_beats / per_bar, MANY_BARS) / SOME_BARS))


def _on_beats(series: Series, per_bar: int, first: int) -> FloatArray:
    """How far each beat of the bar stands out in each series, beat by beat."""
    told = np.zeros((MOST_BEATS, len(series.rows)))
    for beat in range(per_bar):
        on_beat = series.rows[:, first + beat :: per_bar]
        if on_beat.shape[1]:
            told[beat] = on_beat.mean(axis=1)
    return np.asarray(_scale(series.rows.shape[1], per_bar) * told).ravel()


def _between(row: FloatArray, heard: Heard) -> FloatArray:
    """What happens in each beat at LOOKED_AT, (4 kinds, n_beats - 1, n_places), in units of its
    spread: what is struck, how new the harmony is, how long notes of lead and bass last."""
    places = np.array(DIVISIONS)[list(LOOKED_AT)]
    at = row[:-1, None] + places * np.diff(row)[:, None]
    told = np.stack(
        [
            _peaks(heard.curves.all, at),
            _peaks(heard.spectra.novelty, at * (HOP_S / SPECTRUM_S), reach=1),
            _lengths_within(heard.lead, row)[:, LOOKED_AT],
            _lengths_within(heard.bass, row)[:, LOOKED_AT],
        ]
    )
    told -= told.mean(axis=(1, 2), keepdims=True)
    return np.asarray(told / np.maximum(told.std(axis=(1, 2), keepdims=True), 1e-6))


def _lengths_within(notes: Notes, row: FloatArray) -> FloatArray:
    """How long notes last that begin nearest to each of DIVISIONS of each beat but the last, in
    beats, (n_beats - 1, n_divisions)."""
    beats, n = row * HOP_S, len(row) - 1
    result = np.zeros((n + 1, len(DIVISIONS)))
    for start_s, end_s in notes:
        k = int(np.searchsorted(beats, start_s, side="right")) - 1
        if 0 <= k < n:
            gap_s = beats[k + 1] - beats[k]
            apart = np.abs((start_s - beats[k]) / gap_s - np.append(DIVISIONS, 1.0))
            beat, place = divmod(k * len(DIVISIONS) + int(apart.argmin()), len(DIVISIONS))
            lasts = min((end_s - start_s) / gap_s, LONGEST_BEATS)
            result[beat, place] = max(result[beat, place], lasts)
    return result[:n]


def _after_beats(between: FloatArray, per_bar: int, first: int) -> FloatArray:
    """What happens after each beat of the bar and before the next, on the mean of the bars; and how
    strong the weakest beat, the strongest half and the strongest third of a beat are."""
    kinds, n_beats, places = between.shape
    told = np.zeros((kinds, MOST_BEATS, places - 1))
    extremes = np.zeros((3, kinds))
    n_bars = (n_beats - first) // per_bar
    if n_bars:
        bars = between[:, first : first + n_bars * per_bar]
        mean = bars.reshape(kinds, n_bars, per_bar, -1).mean(axis=1)
        told[:, :per_bar] = mean[:, :, 1:]
        beat, third, half, two_thirds = np.moveaxis(mean, 2, 0)
        thirds = np.maximum(third, two_thirds)
        extremes[:] = beat.min(axis=1), half.max(axis=1), thirds.max(axis=1)
    scale = _scale(n_beats, per_bar)
    return np.asarray(scale * np.concatenate([told.ravel(), extremes.ravel()]))
