"""Tempo, beats, bars, key and chords heard with nothing told, beside librosa in the same run.

    python tests/bench/bench_time.py [--only kept|fit] [--stems] [--mix] [--kind K]

Songs at even places were fitted on, those at odd places were kept aside. F measures with windows
of 70 ms (Davies, Degara & Plumbley 2009) and chords by mir_eval's major-minor vocabulary.
"""

from __future__ import annotations

import argparse
import itertools
import tempfile
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import librosa
import mir_eval
import numpy as np
import soundfile
from numpy.typing import NDArray
from time_songs import Truth, songs

import retune
from retune.carriers.heard import Analysis
from retune.theory.keys import tonic_pc

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Heard:
    """One hearing of a song, from 0 to 1; NaN where there is nothing to tell."""

    tempo: float
    beat: float
    downbeat: float
    meter: float
    offset_s: float
    key: float
    chords: float
    cpu: float
    sure: tuple[float, float] = (np.nan, np.nan)


def f_measure(truth: Floats, found: Floats) -> float:
    if not len(found) or not len(truth):
        return 0.0
    return float(mir_eval.beat.f_measure(truth, np.asarray(found)))


def offset_s(truth: Floats, found: Floats) -> float:
    """The median distance of a true beat from the nearest found, those within 70 ms."""
    if not len(found):
        return np.nan
    apart = np.array([found[np.argmin(np.abs(found - t))] - t for t in truth])
    near = apart[np.abs(apart) < 0.07]
    return float(np.median(near)) if len(near) > len(truth) / 3 else np.nan


def chord_score(truth: Truth, rows: list[tuple[float, float, str]]) -> float:
    told = [c for c in truth.chords if c[2] != "X"]
    if not told:
        return np.nan
    ref_i, ref_l = np.array([[a, b] for a, b, _ in truth.chords]), [c[2] for c in truth.chords]
    rows = rows or [(0.0, truth.end_s, "N")]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        est_i, est_l = mir_eval.util.adjust_intervals(
            np.array([[a, b] for a, b, _ in rows]),
            [c[2] for c in rows],
            ref_i.min(),
            ref_i.max(),
            mir_eval.chord.NO_CHORD,
            mir_eval.chord.NO_CHORD,
        )
        i, ref, est = mir_eval.util.merge_labeled_intervals(ref_i, ref_l, est_i, est_l)
        lengths = mir_eval.util.intervals_to_durations(i)
        return float(mir_eval.chord.weighted_accuracy(mir_eval.chord.majmin(ref, est), lengths))


def beats_of(analysis: Analysis) -> Floats:
    """The beats that bars hold, those of the pickup too."""
    downs = np.asarray(analysis.bars.downbeats_s)
    if len(downs) < 2:
        return np.zeros(0)
    per_bar = analysis.bars.beats_in(1)
    places = np.arange(-per_bar, per_bar * (len(downs) - 1)) / per_bar
    inside = np.interp(places, np.arange(len(downs)), downs)
    inside[places < 0] = downs[0] + places[places < 0] * (downs[1] - downs[0])
    return inside[(inside >= 0) & (inside < analysis.duration_s)]


def ours(path: Path, truth: Truth) -> Heard:
    start = time.process_time()
    analysis = retune.analyze(path)
    cpu = (time.process_time() - start) / analysis.duration_s
    bars = analysis.bars
    found = beats_of(analysis)
    found = found[found < truth.end_s]
    downs = np.asarray([d for d in bars.downbeats_s if d < truth.end_s - 0.1])
    key = analysis.key
    right_key = np.nan
    if truth.tonic_pc is not None:
        minor = key is not None and key.mode == "minor"
        right_key = float(
            key is not None and tonic_pc(key) == truth.tonic_pc and minor == truth.is_minor
        )
    return Heard(
        tempo=float(abs(bars.tempo_bpm / truth.tempo_bpm - 1) < 0.04),
        beat=f_measure(truth.beats_s, found),
        downbeat=f_measure(truth.downbeats_s, downs),
        meter=float(bars.meter == truth.meter),
        offset_s=offset_s(truth.beats_s, found),
        key=right_key,
        chords=chord_score(truth, [(c.start_s, c.end_s, c.label) for c in analysis.chords]),
        cpu=cpu,
        sure=(bars.confidence, analysis.key_confidence),
    )


def librosas(path: Path, truth: Truth) -> Heard:
    """librosa's own beat tracker with its defaults, and plain templates on its chroma."""
    samples, rate_hz = soundfile.read(path, dtype="float32")
    start = time.process_time()
    tempo, beats = librosa.beat.beat_track(y=samples, sr=rate_hz, units="time")
    cpu = (time.process_time() - start) / (len(samples) / rate_hz)
    rows = _template_chords(samples, rate_hz, np.asarray(beats))
    return Heard(
        tempo=float(abs(float(np.ravel(tempo)[0]) / truth.tempo_bpm - 1) < 0.04),
        beat=f_measure(truth.beats_s, np.asarray(beats)),
        downbeat=np.nan,
        meter=np.nan,
        offset_s=offset_s(truth.beats_s, np.asarray(beats)),
        key=np.nan,
        chords=chord_score(truth, rows),
        cpu=cpu,
    )


def _template_chords(
    samples: NDArray[np.float32], rate_hz: int, beats: Floats
) -> list[tuple[float, float, str]]:
    names = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")
    chroma = librosa.feature.chroma_cqt(y=samples, sr=rate_hz)
    at = librosa.times_like(chroma, sr=rate_hz)
    shapes = {"maj": (0, 4, 7), "min": (0, 3, 7)}
    rows = []
    for a, b in itertools.pairwise(beats):
        mean = chroma[:, (at >= a) & (at < b)].mean(axis=1)
        best = max(
            ((root, kind) for root in range(12) for kind in shapes),
            key=lambda c: mean[[(c[0] + s) % 12 for s in shapes[c[1]]]].sum(),
        )
        rows.append((float(a), float(b), f"{names[best[0]]}:{best[1]}"))
    return rows


def table(title: str, rows: list[tuple[Truth, Heard]]) -> None:
    def mean(pick: Callable[[Heard], float]) -> str:
        values = np.array([pick(h) for _, h in rows], dtype=float)
        values = values[np.isfinite(values)]
        return f"{values.mean():5.3f}" if len(values) else "    -"

    offsets = [h.offset_s for _, h in rows if np.isfinite(h.offset_s)]
    middle = f"{1e3 * float(np.median(offsets)):+5.1f}" if offsets else "-"
    print(
        f"{title:24s} n {len(rows):2d}  tempo {mean(lambda h: h.tempo)}  "
        f"beat {mean(lambda h: h.beat)}  down {mean(lambda h: h.downbeat)}  "
        f"meter {mean(lambda h: h.meter)} (bars told {mean(lambda h: h.sure[0])})  "
        f"key {mean(lambda h: h.key)} (told {mean(lambda h: h.sure[1])})  "
        f"chords {mean(lambda h: h.chords)}  ms {middle}  cpu/s {mean(lambda h: h.cpu)}",
        flush=True,  # a run that is cut short has told what it found so far
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "time-songs")
    parser.add_argument("--only", choices=("fit", "kept"))
    parser.add_argument("--kind")
    parser.add_argument("--stems", action="store_true")
    parser.add_argument("--mix", action="store_true")
    parser.add_argument("--librosa", action="store_true")
    parser.add_argument("--each", action="store_true")
    options = parser.parse_args()
    every = not (options.stems or options.mix or options.librosa)
    hearings: dict[str, Callable[[Truth, Path], Heard]] = {}
    if options.stems or every:
        hearings["stems"] = lambda t, home: ours(home / "stems.toml", t)
    if options.mix or every:
        hearings["mix"] = lambda t, home: ours(home / "mix.toml", t)
    if options.librosa or every:
        hearings["librosa on the mix"] = lambda t, home: librosas(home / "mix.wav", t)
    chosen = [
        song
        for k, song in enumerate(songs(options.folder))
        if (options.only is None or (k % 2 == 0) == (options.only == "fit"))
        and options.kind in (None, song[0].kind)
    ]
    for name, hear in hearings.items():
        rows = []
        for truth, home in chosen:
            rows.append((truth, hear(truth, home)))
            if options.each:
                table(f"{truth.name} {truth.meter} {truth.tempo_bpm:.0f}", rows[-1:])
        for kind in sorted({t.kind for t, _ in rows}):
            table(f"{name} {kind}", [r for r in rows if r[0].kind == kind])
        table(name, rows)


if __name__ == "__main__":
    main()
