"""Songs that do not stand still: tempo that drifts, sways and slows down, and keys that change.

    python tests/bench/bench_moving.py [--tunes 6] [--tempo] [--keys]

Folk tunes over a plain harmony, played stem by stem, nothing told. Beat F (70 ms) over the whole
tune and in its last two bars, librosa with its defaults beside it. A key changes where the tune is
played again in another; how often that is told, and how often it is told where nothing changes.
Size and shape of the changes are common practice, no source.
"""

from __future__ import annotations

import argparse
import random
import re
import tempfile
from dataclasses import replace
from pathlib import Path

import librosa
import numpy as np
import soundfile
from bench_time import beats_of, f_measure
from numpy.typing import NDArray
from time_scores import METERS, Piece, Span, Tone, _essen, harmonized
from time_songs import Swing, Truth, drifting, make

import retune
from retune.theory.keys import parse_key, tonic_pc
from retune.theory.spelling import spell_pitch_class

Floats = NDArray[np.float64]
LAST_BARS = 2
# Up a tone, a minor third, a fourth, a fifth.
STEPS = (2, 3, 5, 7)


def ritardando(piece: Piece, quarters: Floats, rng: random.Random) -> Floats:
    """The last two bars ever slower, to seven tenths of the tempo."""
    left = (piece.end - quarters) / (LAST_BARS * piece.bar)
    return np.asarray(1 + 0.43 * np.clip(1 - left, 0, 1))


def rubato(piece: Piece, quarters: Floats, rng: random.Random) -> Floats:
    """Each four bars lead on and hold back by 8 %."""
    return np.asarray(1 - 0.08 * np.sin(2 * np.pi * quarters / (4 * piece.bar)))


def quickening(piece: Piece, quarters: Floats, rng: random.Random) -> Floats:
    """From a tenth slower to a tenth faster than the middle."""
    return np.asarray(1.1 - 0.2 * np.clip(quarters / piece.end, 0, 1))


SWINGS: dict[str, Swing] = {
    "drifting to 4 %": drifting,
    "ritardando": ritardando,
    "rubato of 8 %": rubato,
    "quickening by 20 %": quickening,
}


def tempo_table(tunes: list[Piece], folder: Path) -> None:
    print(f"{'tempo':22}{'beat F':>8}{'last bars':>11}{'librosa':>9}{'last bars':>11}")
    for name, swing in SWINGS.items():
        rows = [_beats(tune, folder / f"{name.split()[0]}-{tune.name}", swing) for tune in tunes]
        cells = np.mean(rows, axis=0)
        print(
            f"{name:22}{cells[0]:8.3f}{cells[1]:11.3f}{cells[2]:9.3f}{cells[3]:11.3f}", flush=True
        )


def _beats(tune: Piece, home: Path, swing: Swing) -> tuple[float, float, float, float]:
    truth = make(tune, home, swing)
    samples, rate_hz = soundfile.read(home / "mix.wav", dtype="float32")
    _, theirs = librosa.beat.beat_track(y=samples, sr=rate_hz, units="time")
    ours = beats_of(retune.analyze(home / "stems.toml"))
    return *_f(truth, ours), *_f(truth, np.asarray(theirs))


def _f(truth: Truth, found: Floats) -> tuple[float, float]:
    """Over the whole, and from the last but one downbeat on."""
    found = found[found < truth.end_s]
    late = truth.downbeats_s[-LAST_BARS] - 0.1
    ends = _within(truth.beats_s[truth.beats_s > late], found[found > late])
    return f_measure(truth.beats_s, found), ends


def _within(truth: Floats, found: Floats) -> float:
    if not len(found) or not len(truth):
        return 0.0
    hits = sum(np.abs(found - t).min() < 0.07 for t in truth)
    return float(2 * hits / (len(found) + len(truth)))


def key_table(tunes: list[Piece], folder: Path) -> None:
    changed, still = [], []
    for k, tune in enumerate(tunes):
        step = STEPS[k % len(STEPS)]
        for by, rows in ((step, changed), (0, still)):
            home = folder / f"key-{by}-{tune.name}"
            make(_twice(tune, by), home, longest_s=150.0)
            told = [w for w in retune.analyze(home / "stems.toml").warnings if "may be" in w]
            keys = [parse_key(m[1]) for w in told if (m := re.search(r"may be (\S+ \w+)", w))]
            wanted = ((tune.tonic_pc or 0) + by) % 12
            # Either half may be taken for the song's own key.
            rows.append((bool(keys), any(tonic_pc(key) in (wanted, tune.tonic_pc) for key in keys)))
    for name, rows in (("changed", changed), ("not changed", still)):
        told, right = np.mean(rows, axis=0)
        print(f"key {name:12} told {told:.2f}, the right one {right:.2f}, of {len(rows)}")


def _twice(tune: Piece, step: int) -> Piece:
    """A tune played twice, and twice more some semitones higher."""
    melody, chords, at = [], [], 0.0
    for rise in (0, 0, step, step):
        melody += [Tone(t.onset + at, t.duration, t.midi + rise) for t in tune.parts["vocal"]]
        chords += [Span(c.onset + at, c.end + at, _raised(c.label, rise)) for c in tune.chords]
        at += tune.end
    return replace(tune, parts={"vocal": melody}, chords=chords)


def _raised(label: str, step: int) -> str:
    root, kind = label.split(":")
    pc = tonic_pc(parse_key(f"{root} major"))
    return f"{spell_pitch_class((pc + step) % 12, None)}:{kind}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "time-moving")
    parser.add_argument("--tunes", type=int, default=2, help="of each of four meters")
    parser.add_argument("--tempo", action="store_true")
    parser.add_argument("--keys", action="store_true")
    options = parser.parse_args()
    chosen = [tune for meter in METERS for tune in _essen(meter, options.tunes, seed=41)]
    tunes = [replace(t, kind="folk", chords=harmonized(t)) for t in chosen]
    if options.tempo or not options.keys:
        tempo_table(tunes, options.folder)
    if options.keys or not options.tempo:
        key_table(tunes, options.folder)


if __name__ == "__main__":
    main()
