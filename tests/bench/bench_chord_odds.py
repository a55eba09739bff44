"""How sure heard chords are told to be, and how often chords told so sure are right.

    python tests/bench/bench_chord_odds.py [--folder DIR] [--songs 40]

Songs of fit_songs.py that fit_chords.py leaves alone, on true bars and keys: tunes over the chords
that a band plays, and chorales by what sounds. A chord is right for the share of its time in which
root and third are (mir_eval's major-minor vocabulary).
"""

from __future__ import annotations

import argparse
import itertools
import tempfile
from collections.abc import Iterator
from pathlib import Path

import mir_eval
import numpy as np
from fit_chords import _bars, _key, parted
from fit_songs import Played
from numpy.typing import NDArray
from time_songs import Truth

from retune.analysis.chord_listen import listen_for_chords
from retune.carriers.heard import Chord

EDGES = (0.0, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.01)
Floats = NDArray[np.float64]


def told(song: Played) -> Iterator[tuple[float, float]]:
    """How sure each chord of a song is told to be, and for which share of its time it is right."""
    truth = song.truth
    key = _key(truth)
    chords = listen_for_chords(
        song.spectra, bars=_bars(truth), key_at=lambda _: key, duration_s=truth.end_s
    )
    for chord in chords:
        right = share_right(truth, chord)
        if right is not None:
            yield chord.confidence, right


def share_right(truth: Truth, chord: Chord) -> float | None:
    """For which share of its time a chord is right; None where half of that is of no known one."""
    spans = [
        (min(b, chord.end_s) - max(a, chord.start_s), label)
        for a, b, label in truth.chords
        if label != "X"
    ]
    spans = [(length_s, label) for length_s, label in spans if length_s > 1e-3]
    if sum(length_s for length_s, _ in spans) < (chord.end_s - chord.start_s) / 2:
        return None
    labels = [label for _, label in spans]
    score = mir_eval.chord.majmin(labels, [chord.label] * len(labels))
    weight = np.array([length_s for length_s, _ in spans]) * (score >= 0)
    return float(weight @ np.maximum(score, 0) / weight.sum()) if weight.sum() else None


def table(name: str, rows: Floats) -> None:
    for low, high in itertools.pairwise(EDGES):
        here = rows[(rows[:, 0] >= low) & (rows[:, 0] < high)]
        if len(here):
            sure, right = here.mean(axis=0)
            print(f"{name:8} told {sure:.2f}  right {right:.2f}  of {len(here)}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "time-songs")
    parser.add_argument("--songs", type=int, default=40, help="of each kind")
    options = parser.parse_args()
    others = parted(options.folder)[1]
    for kind in ("folk", "chorale"):
        songs = [song for song in others if song.truth.kind == kind][: options.songs]
        table(kind, np.array([row for song in songs for row in told(song)]))


if __name__ == "__main__":
    main()
