"""Fit the weights by which readings of the bars are told (retune/analysis/meter_weights.py).

    python tests/bench/fit_time.py [--folder DIR] [--songs 40] [--check]

A conditional logit with a ridge: each meter has weights of its own, drawn to those of all. Songs
are those of fit_songs.py but for the tunes of bench_ten.py, played once and kept in the folder;
--check fits on two thirds of them in turn, and tells how often the likeliest reading of the rest is
right, by kind of song, beside how likely it is told to be.
"""

from __future__ import annotations

import argparse
import itertools
import random
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from fit_songs import Played, of_ten, played, varied
from numpy.typing import NDArray
from scipy.optimize import minimize
from time_scores import METERS
from time_songs import Truth

from retune.analysis import meter_weights
from retune.analysis.beats import rows_of_beats
from retune.analysis.meter import KINDS, Heard, Reading, readings

Floats = NDArray[np.float64]
RIDGE, RIDGE_OF_METER = 6.0, 9.0
NEAR_S = 0.07
FOLDS = 3
# Which kinds of evidence are 0 where no notes are known.
OF_NOTES = np.array([k.startswith(("notes", "lead", "bass", "last note")) for k in KINDS])


@dataclass(frozen=True, eq=False)
class Case:
    """The readings of a song: their evidence, the place of each meter, and which are right."""

    name: str
    kind: str
    evidence: Floats
    meters: NDArray[np.int64]
    right: NDArray[np.bool_]


def cases_of(song: Played) -> Iterator[Case]:
    """The readings of a song with its notes heard, as in stems, and with none, as in a mix."""
    rows = rows_of_beats(song.curves.all)
    found, evidence = readings(rows, Heard(song.curves, song.spectra, song.lead, song.bass))
    places = np.array([METERS.index(reading.meter) for reading in found])
    right = np.array([_is_right(song.truth, reading) for reading in found])
    for how, told in (("notes known", evidence), ("none", np.where(OF_NOTES, 0.0, evidence))):
        yield Case(song.truth.name, f"{song.truth.kind}, {how}", told, places, right)


def _is_right(truth: Truth, reading: Reading) -> bool:
    if reading.meter != truth.meter or abs(np.log2(reading.tempo_bpm / truth.tempo_bpm)) > 0.07:
        return False
    beats = reading.beats_s - 0.015

    def share(times: Floats, found: Floats) -> float:
        return float(np.mean([np.abs(found - t).min() < NEAR_S for t in times]))

    downbeats = beats[reading.first :: reading.per_bar]
    return share(truth.beats_s, beats) > 0.7 and share(truth.downbeats_s, downbeats) > 0.7


@dataclass(frozen=True, eq=False)
class Stack:
    """The readings of some songs one after the other, so that all are told at once.

    Attributes
    ----------
    by_meter
        For each meter the places of its readings, and their evidence.
    right
        Which readings are right, (n_readings,).
    first, counts
        Where each song's readings begin, and how many they are, (n_songs,).
    """

    by_meter: tuple[tuple[NDArray[np.int64], Floats], ...]
    right: NDArray[np.bool_]
    first: NDArray[np.int64]
    counts: NDArray[np.int64]

    @classmethod
    def of(cls, cases: Sequence[Case], middle: Floats, spread: Floats) -> Stack:
        evidence = (np.vstack([c.evidence for c in cases]) - middle) / spread
        meters = np.concatenate([c.meters for c in cases])
        places = [np.flatnonzero(meters == k) for k in range(len(METERS))]
        counts = np.array([len(c.right) for c in cases])
        return cls(
            tuple((at, evidence[at]) for at in places),
            np.concatenate([c.right for c in cases]),
            np.cumsum(counts) - counts,
            counts,
        )

    def chances(self, weights: Floats) -> Floats:
        """How likely each reading is, by weights (n_meters, n_kinds)."""
        told = np.zeros(len(self.right))
        for (at, evidence), row in zip(self.by_meter, weights, strict=True):
            told[at] = evidence @ row
        chance = np.exp(told - np.repeat(np.maximum.reduceat(told, self.first), self.counts))
        return np.asarray(chance / np.repeat(np.add.reduceat(chance, self.first), self.counts))

    def loss(self, weights: Floats) -> tuple[float, Floats]:
        """How unlikely the right readings are, and its slope, (n_meters, n_kinds)."""
        chance = self.chances(weights)
        of_right = np.maximum(np.add.reduceat(chance * self.right, self.first), 1e-300)
        aim = chance * self.right / np.repeat(of_right, self.counts)
        slope = np.array([(chance - aim)[at] @ evidence for at, evidence in self.by_meter])
        return -float(np.log(of_right).sum()), slope


def fitted(cases: Sequence[Case]) -> Floats:
    """Weights that make the right readings likeliest, (n_meters, n_kinds)."""
    cases = [c for c in cases if c.right.any()]
    every = np.vstack([c.evidence for c in cases])
    middle, spread = every.mean(axis=0), every.std(axis=0)
    is_even = spread < 1e-6
    spread[is_even], middle[is_even] = 1.0, 0.0
    stack, n = Stack.of(cases, middle, spread), len(spread)

    def loss(weights: Floats) -> tuple[float, Floats]:
        common, own = weights[:n], weights[n:].reshape(len(METERS), n)
        value, slope = stack.loss(common + own)
        value += RIDGE * float(common @ common) + RIDGE_OF_METER * float((own**2).sum())
        of_common = 2 * RIDGE * common + slope.sum(axis=0)
        return value, np.concatenate([of_common, (2 * RIDGE_OF_METER * own + slope).ravel()])

    start = np.zeros((1 + len(METERS)) * n)
    found = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": 250}).x
    weights = (found[:n] + found[n:].reshape(len(METERS), n)) / spread
    weights[:, 0] -= weights @ middle
    weights[:, 0] -= weights[:, 0].mean()
    return np.asarray(weights)


def chances(case: Case, weights: Floats) -> Floats:
    """How likely each reading of a song is, by weights (n_meters, n_kinds)."""
    told = np.sum(case.evidence * weights[case.meters], axis=1)
    chance = np.exp(told - told.max())
    return np.asarray(chance / chance.sum())


def check(cases: Sequence[Case]) -> None:
    """How often the likeliest reading of songs not fitted on is right, by kind of song and by how
    likely it is told."""
    names = sorted({c.name for c in cases})
    random.Random(1).shuffle(names)
    fold = {name: k % FOLDS for k, name in enumerate(names)}
    rows: dict[str, list[tuple[float, float]]] = {}
    for k in range(FOLDS):
        weights = fitted([c for c in cases if fold[c.name] != k])
        for c in (c for c in cases if fold[c.name] == k):
            chance = chances(c, weights)
            told = float(chance.max()), float(c.right[int(chance.argmax())])
            rows.setdefault(c.kind, []).append(told)
        print(f"fold {k + 1} of {FOLDS}", flush=True)
    for kind, found in sorted(rows.items()):
        told, right = np.mean(found, axis=0)
        print(f"{kind:24} right {right:.3f}, told {told:.3f}, of {len(found)}")
    told, right = np.array([row for found in rows.values() for row in found]).T
    print(f"{'all':24} right {right.mean():.3f}, told {told.mean():.3f}, of {len(told)}")
    for low in np.arange(0.0, 1.0, 0.1):
        here = (told >= low) & (told < low + 0.1)
        if here.any():
            print(f"  told {told[here].mean():.2f}  right {right[here].mean():.2f}  {here.sum()}")


def write(weights: Floats) -> None:
    path = Path(meter_weights.__file__)
    head = path.read_text("utf-8").split("    {\n")[0]
    rows = [
        f'        "{kind}": ({", ".join(f"{w:.2f}" for w in column)}),\n'
        for kind, column in zip(KINDS, weights.T, strict=True)
    ]
    path.write_text(f"{head}    {{\n{''.join(rows)}    }}\n)\n", "utf-8")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "time-songs")
    parser.add_argument("--songs", type=int, default=0, help="about how many of either; 0: all")
    parser.add_argument("--check", action="store_true")
    options = parser.parse_args()
    home, limit, kept_aside = options.folder / "fit", options.songs or None, of_ten()
    songs = itertools.chain(played(home, limit), varied(home, limit))
    cases = [case for song in songs if song.truth.name not in kept_aside for case in cases_of(song)]
    if options.check:
        check(cases)
    else:
        write(fitted(cases))


if __name__ == "__main__":
    main()
