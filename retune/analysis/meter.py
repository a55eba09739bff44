"""Which beat is meant, how many make a bar, and which is the first: rival readings, weighed.

Every reading (a row of beats, a meter, a first beat) is told by what a listener goes by: where
harmony and bass change, where long notes begin, what is struck hard and low, how beats divide and
how fast they come (Lerdahl & Jackendoff 1983, metrical preference rules). A conditional logit of
these, fitted on half the songs of tests/bench/bench_time.py, gives each reading its odds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from retune.analysis.chord_listen import CHANGE_COST, best_path, chord_scores
from retune.analysis.chroma import Spectra
from retune.analysis.onset_curve import HOP_S, Curves
from retune.carriers.heard import Bars, FloatArray

METERS = ((2, 4), (3, 4), (4, 4), (6, 8))
Notes = Sequence[tuple[float, float]]
# What a reading's evidence is, in order, and what each is worth in log odds a unit.
WEIGHTS: Mapping[str, float] = MappingProxyType(
    {
        "octaves": 2.59,
        "octaves squared": -5.35,
        "on": 0.43,
        "on over division": 0.67,
        "on over other": 1.82,
        "division": 1.06,
        "notes a beat": -1.32,
        "steady": -1.47,
        "three": -0.82,
        "four": -1.46,
        "compound": -0.95,
        "first": 2.20,
        "pickup": 2.89,
        "last": -0.83,
        "last in the middle": 0.02,
        "harmony": 2.69,
        "low harmony": -1.38,
        "struck": -1.09,
        "low struck": 3.77,
        "lead": 0.92,
        "bass notes": 1.12,
        "chord": 1.56,
        "fifth": 1.73,
        "harmony in the middle": 2.49,
        "low harmony in the middle": -2.94,
        "struck in the middle": -2.07,
        "low struck in the middle": 2.43,
        "lead in the middle": 0.64,
        "bass notes in the middle": 0.21,
        "chord in the middle": -0.78,
        "fifth in the middle": 0.33,
    }
)
# Songs are less like one another than those the weights were fitted on: with this factor the odds
# of the likeliest reading were right as often as told, on songs kept aside.
CALM = 0.8
# A note begins on a beat that is within this share of a beat.
NEAR = 0.2
LONGEST_BEATS = 4.0
FIFTH_DOWN = 5


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
        return Bars((), self.meter, 0.0).beats_per_bar

    @property
    def is_compound(self) -> bool:
        return self.per_bar != self.meter[0]

    @property
    def tempo_bpm(self) -> float:
        return 60.0 / float(np.median(np.diff(self.beats_s)))


def readings(
    rows: Sequence[FloatArray], heard: Heard, meters: Sequence[tuple[int, int]] = METERS
) -> tuple[list[Reading], FloatArray]:
    """Every reading of some rows of beats (in frames), and its evidence, (n_readings, n_kinds)."""
    found, evidence = [], []
    for row in rows:
        of_row, series = _of_row(row, heard), _of_beats(row, heard)
        for meter in meters:
            reading = Reading(row * HOP_S, meter, 0)
            whole = _of_meter(of_row, reading)
            for first in range(min(reading.per_bar, len(row) - 1)):
                found.append(Reading(row * HOP_S, meter, first))
                ends = _of_ends(row, heard.lead, reading.per_bar, first)
                evidence.append([*whole, *ends, *_of_phase(series, reading.per_bar, first)])
    return found, np.array(evidence)


def odds(evidence: FloatArray) -> FloatArray:
    """How likely each reading is, (n_readings,); they sum to 1."""
    told = CALM * (evidence @ np.array(list(WEIGHTS.values())))
    chance = np.exp(told - told.max())
    return np.asarray(chance / chance.sum())


def _of_row(row: FloatArray, heard: Heard) -> dict[str, float]:
    """What speaks for a row of beats as such."""
    curve = heard.curves.all
    scaled = (curve - curve.mean()) / max(float(curve.std()), 1e-9)
    gaps = np.diff(row)
    period = float(np.median(gaps))

    def strength(share: float) -> float:
        at = row[:-1] + share * gaps
        return float(
            np.mean([scaled[max(0, int(k + 0.5) - 2) : int(k + 0.5) + 3].max() for k in at])
        )

    n_notes = max(1, sum(row[0] - period < a / HOP_S < row[-1] + period for a, _ in heard.lead))
    return {
        "octaves": float(np.log2(60.0 / (period * HOP_S) / 110.0)),
        "on": strength(0.0),
        "half": strength(0.5),
        "third": (strength(1 / 3) + strength(2 / 3)) / 2,
        "notes": float(np.log2(n_notes / len(row))) if heard.lead else 0.5,
        "steady": float(np.std(np.log2(gaps / period))),
    }


def _of_meter(row: dict[str, float], reading: Reading) -> list[float]:
    compound = reading.is_compound
    triple = row["third"] - row["half"]
    octaves = row["octaves"] + (0.3 if compound else 0.0)
    return [
        octaves,
        octaves**2,
        row["on"],
        row["on"] - (row["third"] if compound else row["half"]),
        row["on"] - (row["half"] if compound else row["third"]),
        triple if compound else -triple,
        (row["notes"] - (0.8 if compound else 0.5)) ** 2,
        row["steady"],
        float(reading.per_bar == 3),
        float(reading.per_bar == 4),
        float(compound),
    ]


def _of_beats(row: FloatArray, heard: Heard) -> FloatArray:
    """What happens at each beat, (n_kinds, n_beats), in units of its spread."""
    gaps = np.diff(row)
    edges = np.append(row, row[-1] + gaps[-1]) * HOP_S
    fine, _power = heard.spectra.means(edges)
    shape = fine / np.maximum(np.linalg.norm(fine, axis=1, keepdims=True), 1e-9)
    low = fine[:, :90] / np.maximum(np.linalg.norm(fine[:, :90], axis=1, keepdims=True), 1e-9)
    series = [
        _novelty(shape),
        _novelty(low),
        _peaks(heard.curves.all, row),
        _peaks(heard.curves.low, row),
        _lengths(heard.lead, row),
        _lengths(heard.bass, row),
        *_changes(heard.spectra, edges),
    ]
    return np.array([(x - x.mean()) / max(float(x.std()), 1e-6) for x in series])


def _novelty(rows: FloatArray) -> FloatArray:
    """How little each beat has in common with the one before, and the two with the two before."""
    one = np.ones(len(rows))
    one[1:] = 1 - np.sum(rows[1:] * rows[:-1], axis=1)
    two = one.copy()
    if len(rows) > 4:
        pairs = rows[1:] + rows[:-1]
        pairs /= np.maximum(np.linalg.norm(pairs, axis=1, keepdims=True), 1e-9)
        two[2:-1] = 1 - np.sum(pairs[2:] * pairs[:-2], axis=1)
    one[0] = two[0] = one[1:].mean()
    return one + two


def _changes(spectra: Spectra, edges_s: FloatArray) -> list[FloatArray]:
    """1 on the beats at which the chord changes, by the templates of chords; and on those at
    which its root falls a fifth."""
    score = chord_scores(spectra.tones(edges_s), [None])
    path = np.array(best_path(score, np.full(len(score), CHANGE_COST)))
    rise = (path[1:] - path[:-1]) % 12
    moved = np.concatenate(([0], rise))
    return [(moved != 0).astype(np.float64), (moved == FIFTH_DOWN).astype(np.float64)]


def _peaks(curve: FloatArray, row: FloatArray) -> FloatArray:
    at = np.round(row).astype(int)
    return np.array(
        [
            curve[max(0, k - 2) : k + 3].max() if k + 3 > 0 and k - 2 < len(curve) else 0.0
            for k in at
        ]
    )


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


def _of_ends(row: FloatArray, lead: Notes, per_bar: int, first: int) -> list[float]:
    """Where the song begins and ends in its bars: on a downbeat, after a pickup of one beat, the
    last note on a downbeat or in the middle of a bar of four."""
    last = float("nan")
    if lead:
        at = lead[-1][0] / HOP_S
        k = int(np.argmin(np.abs(row - at)))
        if abs(row[k] - at) < NEAR * float(np.median(np.diff(row))):
            last = (k - first) % per_bar
    return [
        float(first == 0),
        float(first == 1),
        float(last == 0),
        float(per_bar == 4 and last == 2),
    ]


def _of_phase(series: FloatArray, per_bar: int, first: int) -> list[float]:
    """How far downbeats stand out in each series, and the middle of a bar of four."""
    downs = series[:, first::per_bar].mean(axis=1)
    middle = series[:, first + 2 :: 4].mean(axis=1) if per_bar == 4 else np.zeros(len(series))
    return [*downs, *middle]
