"""What is noticed of a moved note in real voices, engine by engine, on the same notes.

    python tests/bench/bench_real_voices.py                        all engines, down two semitones
    python tests/bench/bench_real_voices.py --shifts=-400,-200,-100,200,700 --engines psola --room
    python tests/bench/bench_real_voices.py --notes --engines psola        note by note

Voices: tests/bench/real_voices (see its README.txt), as recorded; with --room also in a room of
0.6 s that lies 12 dB under the voice. Every note of at least 0.2 s in which more than .5 is
trusted is moved alone. Columns: see `real_notes.Change`; medians, but for `level` and `ghost`: 90th
percentiles. `noticed` counts the notes that pass a limit of `Change.noticed`.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from real_notes import NAMES, RATE_HZ, Change, Heard, change_of
from repitchers import Task, available

from retune.analysis.notes import find_notes
from retune.carriers.changes import Edit
from retune.carriers.heard import Audio, Note, StemAnalysis
from retune.track import track_pitch

VOICES = Path(__file__).parent / "real_voices"
SHORTEST_S, TRUSTED = 0.2, 0.5


@dataclass(frozen=True, eq=False)
class Voice:
    """A recording with its notes as heard; `moved` are positions in them."""

    name: str
    audio: Audio
    stem: StemAnalysis
    moved: tuple[int, ...]


def in_room(y: np.ndarray) -> np.ndarray:
    """The voice in a room of 0.6 s, 12 dB under it, with noise at -62 dB."""
    from scipy.signal import butter, fftconvolve, sosfilt

    rng = np.random.default_rng(3)
    n = int(0.6 * RATE_HZ)
    tail = rng.standard_normal(n) * 10 ** (-3 * np.arange(n) / n)
    tail[: int(0.006 * RATE_HZ)] = 0
    tail = np.asarray(sosfilt(butter(1, 5000, fs=RATE_HZ, output="sos"), tail))
    tail *= 10 ** (-12 / 20) / np.sqrt(np.sum(tail**2))
    tail[0] = 1
    wet = fftconvolve(y, tail)[: len(y)] + 10 ** (-62 / 20) * rng.standard_normal(len(y))
    return np.asarray(0.8 * wet / np.abs(wet).max())


def voices(*, room: bool) -> Iterator[Voice]:
    import soundfile

    for path in sorted(VOICES.glob("*.flac")):
        dry, rate = soundfile.read(path)
        assert rate == RATE_HZ, path
        for name, y in ((path.stem, dry), (f"{path.stem} room", in_room(dry)))[: 1 + room]:
            yield _voice(name, Audio(y.astype(np.float32), RATE_HZ))


def _voice(name: str, audio: Audio) -> Voice:
    track = track_pitch(audio, fmin_hz=65.0, fmax_hz=1200.0)
    heard = find_notes(track, audio)
    notes = tuple(
        Note(index=i + 1, start_s=n.start_s, end_s=n.end_s, pitch_midi=n.midi, name="",
             cents_from_name=0.0, confidence=n.confidence)
        for i, n in enumerate(heard)
    )  # fmt: skip
    moved = tuple(
        i
        for i, n in enumerate(notes)
        if n.end_s - n.start_s >= SHORTEST_S and n.confidence > TRUSTED
    )
    return Voice(name, audio, StemAnalysis("voice", "melody", notes, (), track), moved)


def tasks(voice: Voice, shift_cents: float) -> Iterator[Task]:
    """Two tasks that between them move every note, no two neighbours at once."""
    for odd in (0, 1):
        edits = [
            Edit("voice", n.start_s, n.end_s, shift_cents, "", note=n.index)
            for n in (voice.stem.notes[i] for i in voice.moved[odd::2])
        ]
        if edits:
            yield Task(voice.audio, voice.stem, tuple(edits))


Row = tuple[str, float, Change]


def judged(voice: Voice, way, was: Heard, shift: float) -> tuple[list[Row], float, float]:  # type: ignore[no-untyped-def]
    """Every moved note, the processor seconds that it took, and the seconds moved."""
    rows, spent, moved_s = [], 0.0, 0.0
    for task in tasks(voice, shift):
        began = sum(os.times()[:4])
        sound = way(task)
        spent += sum(os.times()[:4]) - began
        now = Heard(np.asarray(sound, np.float32))
        for edit in task.edits:
            moved_s += edit.end_s - edit.start_s
            change = change_of(was, now, start_s=edit.start_s, end_s=edit.end_s, shift_cents=shift)
            if change is not None:
                rows.append((voice.name, edit.start_s, change))
    return rows, spent, moved_s


def show(title: str, rows: list[Row], speed: float) -> None:
    values = {name: np.array([getattr(r[2], name) for r in rows]) for name in NAMES}
    cells = []
    for name in NAMES:
        high = name in ("level_db", "ghost_db")
        cells.append(
            float(np.nanpercentile(values[name], 90) if high else np.nanmedian(values[name]))
        )
    over = Counter(limit for r in rows for limit in r[2].noticed())
    n_over = sum(bool(r[2].noticed()) for r in rows)
    why = " ".join(f"{name} {n}" for name, n in over.most_common())
    within = np.mean(values["level_db"] <= 6.0)
    print(
        f"{title:26s}"
        + "".join(f"{c:9.2f}" for c in cells)
        + f"{n_over:5d} of {len(rows)}  level within 6 dB {within:.2f}  x{speed:.0f}  {why}",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--engines", default="", help="comma list; default: all installed")
    parser.add_argument("--shifts", default="-200", help="cents, comma list")
    parser.add_argument("--room", action="store_true", help="also each voice in a room")
    parser.add_argument("--notes", action="store_true", help="print every note that is noticed")
    args = parser.parse_args()
    ways = available()
    chosen = [w for w in args.engines.split(",") if w] or list(ways)
    found = list(voices(room=args.room))
    was = {v.name: Heard(v.audio.samples[:, 0]) for v in found}
    n_notes = sum(len(v.moved) for v in found)
    print(f"{len(found)} voices, {n_notes} notes; load {os.getloadavg()[0]:.1f}")
    print(f"{'engine':18s}{'shift':>8s}" + "".join(f"{n.split('_')[0]:>9s}" for n in NAMES))
    for name in chosen:
        for shift in (float(s) for s in args.shifts.split(",")):
            rows: dict[bool, list[Row]] = {}
            spent = moved_s = 0.0
            ways[name](next(tasks(found[0], shift)))  # what is done once, compiling included
            for voice in found:
                made, cpu, seconds = judged(voice, ways[name], was[voice.name], shift)
                rows.setdefault(voice.name.endswith(" room"), []).extend(made)
                spent, moved_s = spent + cpu, moved_s + seconds
            for room, part in rows.items():
                show(
                    f"{name + (' room' if room else ''):18s}{shift:8.0f}",
                    part,
                    moved_s / max(spent, 1e-6),
                )
                if args.notes:
                    for who, at_s, change in part:
                        if change.noticed():
                            print("   ", who, f"{at_s:.2f} s", *change.noticed(), change)


if __name__ == "__main__":
    main()
