"""Fit the weights by which readings of the bars are told (retune/analysis/meter_weights.py).

    python tests/bench/fit_time.py [--folder DIR] [--check]

A conditional logit with a ridge: each meter has weights of its own, drawn to those of all. Songs
are chorales, fiddle tunes and folk tunes that bench_time.py does not hold, played for it; --check
fits on two thirds of them in turn, and tells how often the likeliest reading of the rest is right
beside how likely it is told to be.
"""

from __future__ import annotations

import argparse
import pickle
import random
import tempfile
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pretty_midi
import time_songs
from numpy.typing import NDArray
from scipy.optimize import minimize
from soundfonts import play
from time_scores import METERS, Piece, _essen, fiddle_tunes, harmonized, more_chorales
from time_songs import RATE_HZ, SOUNDFONT, Truth

from retune.analysis import meter_weights
from retune.analysis.chroma import spectra_of
from retune.analysis.meter import Heard, Notes, Reading, readings
from retune.analysis.onset_curve import onset_curves
from retune.analysis.pulse import beat_rows, tempogram
from retune.carriers.heard import Audio

Floats = NDArray[np.float64]
RIDGE, RIDGE_OF_METER = 3.0, 4.0
LONGEST_S = 48.0
N_CHORALES, EACH_FIDDLE, EACH_FOLK = 64, 9, 22
NEAR_S = 0.07
FOLDS = 3
# Shares of the notes of a stem that are lost and split as they are heard.
LOST, SPLIT = 0.04, 0.05


@dataclass(frozen=True, eq=False)
class Case:
    """The readings of a song: their evidence, the place of each meter, and which are right."""

    name: str
    evidence: Floats
    meters: NDArray[np.int64]
    right: NDArray[np.bool_]


def pieces(known: set[str]) -> Iterator[Piece]:
    """Songs that the bench does not hold; some melodies alone, the others over a harmony."""
    yield from more_chorales(N_CHORALES)
    tunes = list(fiddle_tunes(EACH_FIDDLE))
    for meter in METERS:
        tunes += [t for t in _essen(meter, EACH_FOLK, seed=78) if t.name not in known]
    for k, tune in enumerate(tunes):
        alone = k % 5 == 4
        kind, chords = ("alone", []) if alone else ("folk", harmonized(tune))
        yield replace(tune, kind=kind, chords=chords)


def cases_of(piece: Piece) -> Iterator[Case]:
    """A piece played, its notes heard as in stems, and none as in a mix."""
    rng = random.Random(zlib.crc32(piece.name.encode()))
    known = time_songs.TEMPI.get((piece.kind, piece.meter))
    low, high = known or time_songs.METER_TEMPI[piece.meter]
    bpm = low * (high / low) ** rng.random()
    piece = time_songs._shortened(piece, LONGEST_S * bpm / 60 * piece.beat)
    clock = time_songs._Clock(piece, bpm, rng)
    parts = dict(piece.parts)
    if piece.kind == "folk":
        parts |= time_songs._band(piece, rng)
        if rng.random() < 0.4:
            parts["drums"] = time_songs._drums(piece)
    midi = pretty_midi.PrettyMIDI(resolution=960)
    for name, tones in parts.items():
        midi.instruments.append(time_songs.player(name, tones, clock, rng))
    sound = play(midi, SOUNDFONT, rate_hz=RATE_HZ, gain=0.4).mean(axis=1, keepdims=True)
    truth = time_songs._truth(piece, clock, bpm, "drums" in parts)
    curves = onset_curves([Audio(sound, RATE_HZ)], longest_s=600.0)
    spectra = spectra_of([Audio(sound, RATE_HZ)], tuning_hz=440.0)
    rows = beat_rows(curves.all, tempogram(curves.all))
    lead, bass = (
        [(float(clock(t.onset)), float(clock(t.onset + t.duration))) for t in parts.get(n, [])]
        for n in ("vocal", "bass")
    )
    for notes in ((_heard(lead, rng), _heard(bass, rng)), ((), ())):
        heard = Heard(curves, spectra, *notes)
        found, evidence = readings(rows, heard)
        places = np.array([METERS.index(reading.meter) for reading in found])
        right = np.array([_is_right(truth, reading) for reading in found])
        yield Case(piece.name, evidence, places, right)


def _heard(notes: Notes, rng: random.Random) -> list[tuple[float, float]]:
    """Notes as a tracker hears them: some lost, some split, none quite in time."""
    heard = []
    for start_s, end_s in notes:
        if rng.random() < LOST:
            continue
        first_s = start_s + rng.gauss(0.0, 0.02)
        last_s = first_s + (end_s - start_s) * rng.uniform(0.75, 1.0)
        middle_s = (first_s + last_s) / 2
        is_split = rng.random() < SPLIT and end_s - start_s > 0.3
        heard += [(first_s, middle_s), (middle_s, last_s)] if is_split else [(first_s, last_s)]
    return sorted(heard)


def _is_right(truth: Truth, reading: Reading) -> bool:
    if reading.meter != truth.meter or abs(np.log2(reading.tempo_bpm / truth.tempo_bpm)) > 0.07:
        return False
    beats = reading.beats_s - 0.015

    def share(times: Floats, found: Floats) -> float:
        return float(np.mean([np.abs(found - t).min() < NEAR_S for t in times]))

    downbeats = beats[reading.first :: reading.per_bar]
    return share(truth.beats_s, beats) > 0.7 and share(truth.downbeats_s, downbeats) > 0.7


def fitted(cases: Sequence[Case]) -> Floats:
    """Weights that make the right readings likeliest, (n_meters, n_kinds)."""
    cases = [c for c in cases if c.right.any()]
    every = np.vstack([c.evidence for c in cases])
    middle, spread = every.mean(axis=0), every.std(axis=0)
    is_even = spread < 1e-6
    spread[is_even], middle[is_even] = 1.0, 0.0
    scaled = [replace(c, evidence=(c.evidence - middle) / spread) for c in cases]
    n = len(spread)

    def loss(weights: Floats) -> tuple[float, Floats]:
        common, own = weights[:n], weights[n:].reshape(len(METERS), n)
        value = RIDGE * float(common @ common) + RIDGE_OF_METER * float((own**2).sum())
        slope = np.zeros((len(METERS), n))
        for c in scaled:
            chance = chances(c, common + own)
            aim = chance * c.right / (chance @ c.right)
            value -= float(np.log(chance @ c.right))
            np.add.at(slope, c.meters, (chance - aim)[:, None] * c.evidence)
        of_common = 2 * RIDGE * common + slope.sum(axis=0)
        return value, np.concatenate([of_common, (2 * RIDGE_OF_METER * own + slope).ravel()])

    found = minimize(loss, np.zeros((1 + len(METERS)) * n), jac=True, options={"maxiter": 250}).x
    weights = (found[:n] + found[n:].reshape(len(METERS), n)) / spread
    weights[:, 0] -= weights @ middle
    weights[:, 0] -= weights[:, 0].mean()
    return np.asarray(weights)


def chances(case: Case, weights: Floats) -> Floats:
    told = np.sum(case.evidence * weights[case.meters], axis=1)
    chance = np.exp(told - told.max())
    return np.asarray(chance / chance.sum())


def check(cases: Sequence[Case]) -> None:
    """How often the likeliest reading of songs not fitted on is right, by how likely it is told."""
    names = sorted({c.name for c in cases})
    random.Random(1).shuffle(names)
    fold = {name: k % FOLDS for k, name in enumerate(names)}
    rows = []
    for k in range(FOLDS):
        weights = fitted([c for c in cases if fold[c.name] != k])
        for c in (c for c in cases if fold[c.name] == k):
            chance = chances(c, weights)
            rows.append((chance.max(), c.right[int(chance.argmax())]))
    told, right = np.array(rows, dtype=float).T
    print(f"{right.mean():.3f} right, told {told.mean():.3f}, of {len(rows)}")
    for low in np.arange(0.0, 1.0, 0.1):
        here = (told >= low) & (told < low + 0.1)
        if here.any():
            print(f"  told {told[here].mean():.2f}  right {right[here].mean():.2f}  {here.sum()}")


def write(weights: Floats) -> None:
    path = Path(meter_weights.__file__)
    head = path.read_text("utf-8").split("    {\n")[0]
    rows = [
        f'        "{kind}": ({", ".join(f"{w:.2f}" for w in column)}),\n'
        for kind, column in zip(meter_weights.WEIGHTS, weights.T, strict=True)
    ]
    path.write_text(f"{head}    {{\n{''.join(rows)}    }}\n)\n", "utf-8")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "time-songs")
    parser.add_argument("--check", action="store_true")
    options = parser.parse_args()
    kept = options.folder / "cases.pickle"
    if not kept.exists():
        known = {truth.name for truth, _ in time_songs.songs(options.folder)}
        kept.write_bytes(pickle.dumps([c for p in pieces(known) for c in cases_of(p)]))
    cases: list[Case] = pickle.loads(kept.read_bytes())
    if options.check:
        check(cases)
    else:
        write(fitted(cases))


if __name__ == "__main__":
    main()
