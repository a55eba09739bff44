"""Fit the weights by which readings of the bars are told (retune/analysis/meter.py).

    python tests/bench/fit_time.py [--folder DIR]

A conditional logit with a ridge, on the songs of bench_time.py at even places and on further folk
tunes played for it; prints the weights and how often the likeliest reading is right on the songs
at odd places, beside how likely it is told to be.
"""

from __future__ import annotations

import argparse
import random
import tempfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pretty_midi
import soundfile
import time_songs
from numpy.typing import NDArray
from scipy.optimize import minimize
from soundfonts import play
from time_scores import METERS, Piece, _essen, harmonized
from time_songs import RATE_HZ, SOUNDFONT, Truth, songs

from retune.analysis.chroma import spectra_of
from retune.analysis.meter import WEIGHTS, Heard, Notes, Reading, readings
from retune.analysis.onset_curve import onset_curves
from retune.analysis.pulse import beat_rows, tempogram
from retune.carriers.heard import Audio

Floats = NDArray[np.float64]
RIDGE = 1.0
LONGEST_S = 35.0
EACH = 40
NEAR_S = 0.07


@dataclass(frozen=True, eq=False)
class Case:
    """The readings of a song, their evidence, and which are right."""

    evidence: Floats
    right: Floats


def case(truth: Truth, sound: Audio, lead: Notes, bass: Notes) -> Case:
    curves = onset_curves([sound], longest_s=600.0)
    heard = Heard(curves, spectra_of([sound], tuning_hz=440.0), lead, bass)
    found, evidence = readings(beat_rows(curves.all, tempogram(curves.all)), heard)
    return Case(evidence, np.array([_is_right(truth, reading) for reading in found]))


def _is_right(truth: Truth, reading: Reading) -> bool:
    if reading.meter != truth.meter or abs(np.log2(reading.tempo_bpm / truth.tempo_bpm)) > 0.07:
        return False
    beats = reading.beats_s - 0.015

    def share(times: Floats, found: Floats) -> float:
        return float(np.mean([np.abs(found - t).min() < NEAR_S for t in times]))

    downbeats = beats[reading.first :: reading.per_bar]
    return share(truth.beats_s, beats) > 0.7 and share(truth.downbeats_s, downbeats) > 0.7


def further(known: set[str]) -> Iterator[Case]:
    """Folk tunes that the bench does not hold, three in four over a harmony."""
    for meter in METERS:
        for k, piece in enumerate(_essen(meter, EACH, seed=77)):
            if piece.name not in known:
                kind = "folk" if k % 4 else "alone"
                chords = harmonized(piece) if kind == "folk" else []
                yield from _played(replace(piece, kind=kind, chords=chords))


def _played(piece: Piece) -> Iterator[Case]:
    """A tune with its notes known, and the same with the bass unknown, as in a mix."""
    rng = random.Random(zlib.crc32(piece.name.encode()))
    low, high = time_songs.METER_TEMPI[piece.meter]
    bpm = low * (high / low) ** rng.random()
    piece = time_songs._shortened(piece, LONGEST_S * bpm / 60 * piece.beat)
    clock = time_songs._Clock(piece, bpm, rng)
    parts = dict(piece.parts)
    if piece.chords:
        parts |= time_songs._band(piece, rng)
        if rng.random() < 0.4:
            parts["drums"] = time_songs._drums(piece)
    midi = pretty_midi.PrettyMIDI(resolution=960)
    for name, tones in parts.items():
        midi.instruments.append(time_songs.player(name, tones, clock, rng))
    samples = play(midi, SOUNDFONT, rate_hz=RATE_HZ, gain=0.4).mean(axis=1, keepdims=True)
    truth = time_songs._truth(piece, clock, bpm, "drums" in parts)
    lead, bass = (
        [(float(clock(t.onset)), float(clock(t.onset + t.duration))) for t in parts.get(n, [])]
        for n in ("vocal", "bass")
    )
    for low_notes in (bass, []):
        yield case(truth, Audio(samples, RATE_HZ), lead, low_notes)


def fitted(cases: list[Case]) -> Floats:
    """Weights that make the right readings likeliest."""
    cases = [c for c in cases if c.right.any()]
    spread = np.std(np.vstack([c.evidence for c in cases]), axis=0) + 1e-6

    def loss(weights: Floats) -> tuple[float, Floats]:
        value, slope = RIDGE * float(weights @ weights), 2 * RIDGE * weights
        for c in cases:
            chance = chances(c.evidence / spread, weights)
            aim = chance * c.right / (chance @ c.right)
            value -= float(np.log(chance @ c.right))
            slope = slope - (c.evidence / spread).T @ (aim - chance)
        return value, slope

    return np.asarray(minimize(loss, np.zeros(len(spread)), jac=True).x) / spread


def chances(evidence: Floats, weights: Floats) -> Floats:
    told = evidence @ weights
    chance = np.exp(told - told.max())
    return np.asarray(chance / chance.sum())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "time-songs")
    told = songs(parser.parse_args().folder)
    of_bench = []
    for truth, home in told:
        samples, rate_hz = soundfile.read(home / "mix.wav", dtype="float32", always_2d=True)
        of_bench.append(case(truth, Audio(samples, rate_hz), (), ()))
    weights = fitted([*of_bench[::2], *further({truth.name for truth, _ in told})])
    for name, weight in zip(WEIGHTS, weights, strict=True):
        print(f'        "{name}": {weight:.2f},')
    rows = [(chances(c.evidence, weights), c.right) for c in of_bench[1::2]]
    right = np.mean([r[int(p.argmax())] for p, r in rows])
    print(f"kept aside: {right:.2f} right, told {np.mean([p.max() for p, _ in rows]):.2f}")


if __name__ == "__main__":
    main()
