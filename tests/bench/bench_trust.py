"""How right notes are that are told to be right: the reliability of their confidence.

    python tests/bench/bench_trust.py [--singers 14] [--fit]

Made singers (voices.py) of every kind: low and high, with and without vibrato, wavering by up to
.4 semitones, scooping by up to 300 cents, breathy; each sings a tune on crisp and one on soft
consonants and slides, twice, dry, in noise (3 to 20 dB) or in a room (.3 to 1.2 s). Real ones: the
recordings in real_voices, whose notes were read off spectrograms twice, apart in time and on other
stretches of time (*_notes1.csv, *_notes2.csv); the agreement of the two readings is printed.

A note is right if a true one begins within 50 ms and lies within 50 cents of it. `--fit` fits the
odds of `note_trust` on half of the made singers and tells the other half, and the real ones by all.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent))

import voices
from bench_notes import TUNE

from retune.analysis.contour import make_contour
from retune.analysis.note_edges import Span
from retune.analysis.note_trust import REST_S, Heard, evidence
from retune.analysis.notes import find_notes
from retune.analysis.sonority import measure_levels
from retune.carriers.heard import Audio
from retune.carriers.units import midi_to_hz
from retune.track import track_pitch

Floats = NDArray[np.float64]
REAL = Path(__file__).parent / "real_voices"
CONDITIONS = (("dry", "room"), ("noise", "room"), ("dry", "noise"))
BINS = (0.0, 0.3, 0.5, 0.7, 0.8, 0.9, 0.95, 1.01)
RATE_HZ = 22050


@dataclass(frozen=True, eq=False)
class Told:
    """Notes of one recording: how sure each was told, whether it is right, what it shows."""

    singer: int
    sure: Floats
    right: Floats
    shown: Floats


def rows_of(truth: Floats) -> Floats:
    """(start_s, end_s, midi) with no note reaching into the next, as mir_eval wants them."""
    rows = truth.copy()
    rows[:-1, 1] = np.minimum(rows[:-1, 1], rows[1:, 0])
    return rows


def matched(truth: Floats, heard: Floats) -> list[tuple[int, int]]:
    from mir_eval.transcription import match_notes

    a, b = rows_of(truth), rows_of(heard)
    return list(
        match_notes(a[:, :2], midi_to_hz(a[:, 2]), b[:, :2], midi_to_hz(b[:, 2]), offset_ratio=None)
    )


def told(audio: Audio, truths: list[Floats], singer: int) -> list[Told]:
    """What was told of the notes of a recording, once for each truth."""
    track = track_pitch(audio, fmin_hz=65.0, fmax_hz=1200.0)
    notes = find_notes(track, audio)
    shown = _shown(audio, track, notes)
    heard = np.array([(n.start_s, n.end_s, n.midi) for n in notes])
    found = []
    for truth in truths:
        right = np.zeros(len(notes))
        right[[j for _, j in matched(truth, heard)]] = 1
        found.append(Told(singer, np.array([n.confidence for n in notes]), right, shown))
    return found


def _shown(audio: Audio, track, notes: tuple[Heard, ...]) -> Floats:  # type: ignore[no-untyped-def]
    levels = measure_levels(audio)
    contour = make_contour(track, levels)
    db = [
        np.percentile(levels.full_db[levels.index(n.start_s) : levels.index(n.end_s) + 1], 75)
        for n in notes
    ]
    rows = []
    for k, n in enumerate(notes):
        rest_s = n.start_s - notes[k - 1].end_s if k else REST_S[1]
        span = Span(n.start_s, n.end_s, n.midi)
        rows.append(
            evidence(span, n.midi, contour, levels, rest_s=rest_s, below_db=db[k] - max(db))
        )
    return np.array(rows)


def singer_of(k: int, rng: np.random.Generator) -> voices.Singer:
    base = voices.SINGERS[k % len(voices.SINGERS)]
    return replace(
        base,
        low_midi=int(np.clip(base.low_midi + rng.integers(-4, 5), 38, 68)),
        tract=base.tract * rng.uniform(0.93, 1.07),
        tilt=base.tilt + rng.uniform(-2.5, 1.5),
        vibrato_hz=rng.uniform(4.5, 6.8),
        vibrato_cents=float(rng.choice([0, 20, 40, 60, 100])),
        jitter=rng.uniform(0.001, 0.005),
        breath_db=rng.uniform(-40, -22),
        glide_s=rng.uniform(0.04, 0.14),
        scoop_cents=float(rng.choice([0, 60, 120, 200, 300])),
        wander=float(rng.choice([0.05, 0.1, 0.2, 0.3, 0.4])),
    )


def walk(rng: np.random.Generator) -> tuple[int, ...]:
    """A tune with many repeats."""
    at = [0]
    for _ in range(25):
        step = rng.choice([0, 0, 0, 1, -1, 2, -2, 3, -4, 5, -3])
        at.append(int(np.clip(at[-1] + step, -2, 14)))
    return tuple(at)


def made(k: int) -> Iterator[Told]:
    rng = np.random.default_rng([77, k])
    singer = singer_of(k, rng)
    tune = TUNE if k % 2 else walk(rng)
    crisp = voices.plan_notes(singer, np.random.default_rng([k, singer.low_midi]), tune)
    for span in crisp:
        late = {"voiced": 0.07, "legato": singer.glide_s / 2}.get(str(span["link"]), 0.0)
        span["late"] = late
    soft = voices.plan_soft_notes(singer, np.random.default_rng([k, singer.low_midi, 7]), tune)
    for span in soft:
        span["late"] = span["late_s"]
    for spans in (crisp, soft):
        rows = [(s["from"] + s["late"], s["to"], s["midi"]) for s in spans]  # type: ignore[operator]
        dry = voices.sing(singer, seed=k, rate_hz=RATE_HZ, spans=spans)
        for condition in CONDITIONS[k % len(CONDITIONS)]:
            sung = dry
            if condition == "noise":
                sung = voices.with_noise(dry, snr_db=rng.uniform(3, 20), seed=k)
            if condition == "room":
                rt60_s, wet = rng.uniform(0.3, 1.2), rng.uniform(0.05, 0.4)
                sung = voices.with_room(dry, rt60_s=rt60_s, wet=wet, seed=k)
            audio = Audio(sung.samples.astype(np.float32), RATE_HZ)
            yield from told(audio, [np.array(rows, float)], k)


def real() -> tuple[list[Told], list[Told]]:
    """Told of the real voices, by the first reading and by the second; prints how both agree."""
    import soundfile

    first, second, both, counts = [], [], 0, np.zeros(2)
    for path in sorted(REAL.glob("*.flac")):
        readings = [
            np.loadtxt(path.with_name(f"{path.stem}_notes{i}.csv"), delimiter=",", skiprows=1)
            for i in (1, 2)
        ]
        both += len(matched(*readings))
        counts += [len(r) for r in readings]
        y, rate_hz = soundfile.read(path, dtype="float32")
        a, b = told(Audio(y, rate_hz), readings, 0)
        first.append(a)
        second.append(b)
    f = 2 * both / counts.sum()
    print(f"two readings of {counts[0]:.0f} and {counts[1]:.0f} notes agree: F {f:.3f}")
    return first, second


def show(name: str, sure: Floats, right: Floats) -> None:
    doubted, certain = sure < 0.5, sure >= 0.95
    print(
        f"{name:24} {len(right):5d} notes  right {right.mean():.3f}  Brier "
        f"{np.mean((sure - right) ** 2):.3f} (all alike {right.var():.3f})  "
        f"in doubt {doubted.sum():3d}, wrong of them {1 - right[doubted].mean():.2f}  "
        f"told .95: {certain.sum():3d}, right {right[certain].mean():.3f}"
    )
    inside = [(sure >= a) & (sure < b) for a, b in pairwise(BINS)]
    print("  told  " + "  ".join(f"{sure[m].mean():.2f}" for m in inside if m.any()))
    print("  right " + "  ".join(f"{right[m].mean():.2f}" for m in inside if m.any()))
    print("  notes " + "  ".join(f"{m.sum():4d}" for m in inside if m.any()), flush=True)


def joined(rows: list[Told]) -> tuple[Floats, Floats, Floats, Floats]:
    owner = [np.full(len(r.sure), r.singer) for r in rows]
    sure, right, shown = (
        np.concatenate([getattr(r, n) for r in rows]) for n in ("sure", "right", "shown")
    )
    return sure, right, shown, np.concatenate(owner)


def fitted(shown: Floats, right: Floats) -> Floats:
    """Log odds by a constant and what is shown: logistic regression, a little drawn to 0."""
    x = np.column_stack([np.ones(len(shown)), shown])
    scale = np.append(1.0, shown.std(axis=0) + 1e-6)
    x = x / scale
    found = np.zeros(x.shape[1])
    for _ in range(30):
        p = 1 / (1 + np.exp(-x @ found))
        slope = x.T @ (right - p) - np.append(0.0, found[1:])
        curve = (x * (p * (1 - p))[:, None]).T @ x + np.diag(
            np.append(0.0, np.ones(len(found) - 1))
        )
        found = found + np.linalg.solve(curve, slope)
    return np.asarray(found / scale)


def by_odds(odds: Floats, shown: Floats) -> Floats:
    return np.asarray(1 / (1 + np.exp(-(odds[0] + shown @ odds[1:]))))


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--singers", type=int, default=14)
    parser.add_argument("--fit", action="store_true", help="fit the odds anew")
    args = parser.parse_args()
    first, second = real()
    sure, right, shown, owner = joined([t for k in range(args.singers) for t in made(k)])
    show("made voices", sure, right)
    for name, rows in (("real, first reading", first), ("real, second reading", second)):
        show(name, *joined(rows)[:2])
    if args.fit:
        crossed = np.zeros(len(right))
        for half in (0, 1):
            odds = fitted(shown[owner % 2 == half], right[owner % 2 == half])
            crossed[owner % 2 != half] = by_odds(odds, shown[owner % 2 != half])
        odds = fitted(shown, right)
        print("odds", odds.round(3))
        show("made, by the other half", crossed, right)
        for name, rows in (("real, first reading", first), ("real, second reading", second)):
            show(name, by_odds(odds, joined(rows)[2]), joined(rows)[1])


if __name__ == "__main__":
    main()
