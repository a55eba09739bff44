"""Where phrases begin, on folk tunes of music21's corpus: F1 against the printed lines.

    python tests/bench/bench_phrases.py [--set erk] [--all]

Protocols: "counted" takes the first note as a boundary found, "internal" leaves it out; the mean
over melodies of F1, a melody without predictions scoring 0. The weights of `phrase_model` were
fitted on the 1st, 3rd, 5th ... tune of Erk; this reports the 2nd, 4th ... unless --all. Published
for LBDM on Erk: F1 .63 (Pearce, Muellensiefen & Wiggins 2008, from memory).
"""

from __future__ import annotations

import argparse
from collections.abc import Callable

import essen
import numpy as np
from numpy.typing import NDArray

from retune.analysis.lbdm import boundary_strength
from retune.analysis.phrase_model import phrase_starts

Flags = NDArray[np.bool_]


def in_beats(tune: essen.Tune) -> tuple[NDArray[np.float64], ...]:
    return (
        np.array(tune.onset) / tune.beat,
        np.array(tune.duration) / tune.beat,
        np.array(tune.midi, dtype=np.float64),
    )


def never(tune: essen.Tune) -> Flags:
    return np.zeros(len(tune.midi), dtype=np.bool_)


def always(tune: essen.Tune) -> Flags:
    return np.ones(len(tune.midi), dtype=np.bool_)


def after_rests(tune: essen.Tune) -> Flags:
    onset, duration, _ = in_beats(tune)
    return np.concatenate(([True], onset[1:] - (onset[:-1] + duration[:-1]) > 1e-6))


def lbdm(tune: essen.Tune) -> Flags:
    """Strength above .3 and a local peak."""
    strength = boundary_strength(*in_beats(tune))
    inner = strength[1:]
    left = np.concatenate(([0.0], inner[:-1]))
    right = np.concatenate((inner[1:], [0.0]))
    return np.concatenate(([True], (inner > 0.3) & (inner >= left) & (inner >= right)))


def ours(tune: essen.Tune, *, bars: bool) -> Flags:
    onset, duration, midi = in_beats(tune)
    if not bars:
        onset, duration = onset / np.median(np.diff(onset)), duration / np.median(np.diff(onset))
    starts = phrase_starts(onset, duration, midi, bar_beats=tune.bar / tune.beat if bars else None)
    flags = np.zeros(len(midi), dtype=np.bool_)
    flags[starts] = True
    return flags


METHODS: dict[str, Callable[[essen.Tune], Flags]] = {
    "never": never,
    "always": always,
    "after rests": after_rests,
    "LBDM": lbdm,
    "retune, bars unknown": lambda tune: ours(tune, bars=False),
    "retune, bars known": lambda tune: ours(tune, bars=True),
}


def prf(found: Flags, true: Flags) -> tuple[float, float, float]:
    hits = float(np.sum(found & true))
    precision = hits / found.sum() if found.any() else 0.0
    recall = hits / true.sum() if true.any() else 0.0
    both = precision + recall
    return precision, recall, 2 * precision * recall / both if both else 0.0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("--set", default="erk", help="beginning of the files' names")
    parser.add_argument("--all", action="store_true", help="the fitted half too")
    args = parser.parse_args()
    tunes = [t for t in essen.read_tunes(f"{args.set}*.abc") if sum(t.starts) > 1]
    tunes = tunes if args.all or args.set != "erk" else tunes[1::2]
    print(f"{len(tunes)} melodies, {sum(len(t.midi) for t in tunes)} notes")
    print(f"{'':24}{'counted P / R / F1':>22}{'internal P / R / F1':>24}")
    for name, method in METHODS.items():
        rows = []
        for tune in tunes:
            found, true = method(tune), np.array(tune.starts)
            counted, gold = found.copy(), true.copy()
            counted[0] = gold[0] = True
            rows.append((*prf(counted, gold), *prf(found[1:], true[1:])))
        p, r, f, p1, r1, f1 = np.mean(rows, axis=0)
        print(f"{name:24}    {p:.3f} / {r:.3f} / {f:.3f}     {p1:.3f} / {r1:.3f} / {f1:.3f}")


if __name__ == "__main__":
    main()
