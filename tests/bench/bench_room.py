"""What a room keeps of a moved note's old pitch, and what parting the late sound could win.

    pip install pyroomacoustics
    python tests/bench/bench_room.py [--rooms 0.3,0.6,1,1.5] [--singers baritone,alto]

Made singers (ground_truth.py) are rendered dry with the notes as sung and as moved; both then
stand in the same room, so that the truth is the room's answer to the voice at the new pitch.
Rooms are shoeboxes by image sources (Allen & Berkley 1979, JASA 65, 943-950), as pyroomacoustics
makes them (Scheibler, Bezzam & Dokmanic 2018, ICASSP), walls by Sabine's formula for the time
asked, voice and microphone 0.6 m apart. The sound later than 50 ms after the direct one is late.

*Ghost* is the power at harmonics of a moved note's old pitch, where no note sung near has any,
over the truth's, in dB: inside the note, and from .08 to .4 s after it. *Apart* is the root mean
square distance from the truth's levels in mel bands, in dB, at the same places.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent))

from ground_truth import RATE_HZ, Pair, Sung, make_pair
from metrics import mel_levels
from repitchers import Task, by_retune, make_task
from scipy.signal import fftconvolve

Floats = NDArray[np.float64]
SIZES_M = {0.3: (5.0, 4.0, 2.8), 0.6: (6.5, 5.0, 3.0), 1.0: (9.0, 7.0, 4.0), 1.5: (14.0, 10.0, 6.0)}
LATE_S = 0.05
EDGE_S, AFTER_S = 0.08, (0.08, 0.4)
HARMONICS, APART_SHARE, WINDOW_S = 12, 0.045, 0.16
FLOOR_DB = 60.0


def answer(rt60_s: float) -> Floats:
    """What a room answers to an impulse, from the direct sound on, its peak 1."""
    import pyroomacoustics as pra

    size = SIZES_M[min(SIZES_M, key=lambda known: abs(known - rt60_s))]
    absorbed, order = pra.inverse_sabine(rt60_s, size)
    room = pra.ShoeBox(size, fs=RATE_HZ, materials=pra.Material(absorbed), max_order=min(order, 90))
    place = np.array(size) * (0.37, 0.43, 0.45)
    room.add_source(place)
    room.add_microphone(place + np.array([0.5, 0.35, 0.0]))
    room.compute_rir()
    h = np.asarray(room.rir[0][0], np.float64)
    first = int(np.argmax(np.abs(h)))
    return h[first : first + int(1.2 * rt60_s * RATE_HZ)] / h[first]


def heard_in(y: NDArray[np.float32], h: Floats) -> NDArray[np.float32]:
    return np.asarray(fftconvolve(y, h)[: len(y)], np.float32)


@dataclass(frozen=True, eq=False)
class Spot:
    """Samples [start, stop) where a ghost is looked for, and the frequencies at which."""

    start: int
    stop: int
    hz: Floats


def _hz(pair: Pair, note: Sung, *, moved: bool) -> float:
    cents = pair.cents_truth if moved else pair.cents
    a, b = round(note.start_s / 0.005) + 16, round(note.end_s / 0.005) - 16
    return float(440 * 2 ** ((np.median(cents[a:b]) - 6900) / 1200))


def spots(pair: Pair) -> tuple[list[Spot], list[Spot]]:
    """Inside moved notes, and after those that none follows which moves."""
    inside, after = [], []
    for i, note in enumerate(pair.notes):
        if not note.moved:
            continue
        old, new = (_hz(pair, note, moved=m) for m in (False, True))
        near = [_hz(pair, n, moved=True) for n in pair.notes[max(i - 1, 0) : i + 2]]
        free = _free(old, near)
        a, b = note.start_s + EDGE_S, note.end_s - EDGE_S
        if len(free):
            inside.append(Spot(int(a * RATE_HZ), int(b * RATE_HZ), free))
        following = pair.notes[i + 1] if i + 1 < len(pair.notes) else None
        if following is None or not following.moved:
            lasts = [new] + ([_hz(pair, following, moved=True)] if following else [])
            a, b = (note.end_s + x for x in AFTER_S)
            free = _free(old, lasts)
            if len(free):
                after.append(Spot(int(a * RATE_HZ), int(b * RATE_HZ), free))
    return inside, after


def _free(old: float, others: list[float]) -> Floats:
    """Harmonics of `old` that lie apart from all of `others`."""
    found = old * np.arange(1, HARMONICS + 1)
    ok = np.ones(HARMONICS, dtype=bool)
    for hz in others:
        nearest = np.maximum(np.round(found / hz), 1) * hz
        ok &= np.abs(found - nearest) > np.maximum(APART_SHARE * found, 25.0)
    return found[ok]


def ghost_db(y: NDArray[np.float32], truth: NDArray[np.float32], places: list[Spot]) -> float:
    """Median over the places of the power at their frequencies, re the truth's."""
    found = [_power(y, place) / _power(truth, place) for place in places]
    return float(np.median(10 * np.log10(found)))


def _power(y: NDArray[np.float32], place: Spot) -> float:
    width = min(int(WINDOW_S * RATE_HZ), place.stop - place.start)
    window, total = np.hanning(width), 0.0
    for at in range(place.start, place.stop - width + 1, width // 4):
        part = y[at : at + width]
        power = np.abs(np.fft.rfft(np.pad(part, (0, width - len(part))) * window)) ** 2
        for hz in place.hz:
            near = slice(int(0.985 * hz * width / RATE_HZ), int(1.015 * hz * width / RATE_HZ) + 2)
            total += float(power[near].sum())
    return total + 1e-12


def apart_db(y: NDArray[np.float32], truth: NDArray[np.float32], places: list[Spot]) -> float:
    time_s, was = mel_levels(truth)
    floor = was.max() - FLOOR_DB
    away = np.maximum(mel_levels(y)[1], floor) - np.maximum(was, floor)
    here = np.any([(time_s > p.start / RATE_HZ) & (time_s < p.stop / RATE_HZ) for p in places], 0)
    return float(np.sqrt(np.mean(away[:, here] ** 2)))


def ways(pair: Pair, h: Floats, *, known: bool) -> Iterator[tuple[str, NDArray[np.float32]]]:
    """Every way to a moved note in the room."""
    cut = int(LATE_S * RATE_HZ)
    early, late = np.where(np.arange(len(h)) < cut, h, 0.0), np.where(np.arange(len(h)) < cut, 0, h)
    move = by_retune("psola")
    stands = replace(pair, original=heard_in(pair.original, h))
    yield "sung again", heard_in(pair.other, h)
    yield "not moved", stands.original
    task = make_task(stands, by="retune")
    yield "retune", move(task)
    yield "retune, with its tail", move(task_with_tails(task))
    if not known:
        return
    direct = move(make_task(replace(pair, original=heard_in(pair.original, early)), by="retune"))
    yield "late sound known, left", direct + heard_in(pair.original, late)
    dry = move(make_task(pair, by="retune"))
    yield "late sound known, made anew", direct + heard_in(dry, late)


def task_with_tails(task: Task) -> Task:
    return replace(task, edits=tuple(replace(edit, tail="moved") for edit in task.edits))


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--rooms", default="0.3,0.6,1,1.5", help="times to -60 dB, s")
    parser.add_argument("--singers", default="baritone,alto", help="of voice_controls.py")
    parser.add_argument("--tune", default="endings", help="of voice_controls.py")
    parser.add_argument("--known", action="store_true", help="also two ways that know the room")
    parser.add_argument("--shift", type=float, default=-200.0, help="cents")
    args = parser.parse_args()
    print(f"{'':30}{'RT60 s':>7}  ghost dB inside  after   apart dB inside  after")
    for rt60_s in (float(text) for text in args.rooms.split(",")):
        h = answer(rt60_s)
        rows: dict[str, list[tuple[float, ...]]] = {}
        for singer in args.singers.split(","):
            pair = make_pair(singer, args.tune, args.shift)
            truth = heard_in(pair.truth, h)
            places = spots(pair)
            for name, y in ways(pair, h, known=args.known):
                row = tuple(f(y, truth, p) for f in (ghost_db, apart_db) for p in places)
                rows.setdefault(name, []).append(row)
        for name, found in rows.items():
            a, b, c, d = np.mean(found, axis=0)
            print(f"{name:30}{rt60_s:7.1f}{a:17.1f}{b:7.1f}{c:18.1f}{d:7.1f}", flush=True)


if __name__ == "__main__":
    main()
