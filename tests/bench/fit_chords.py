"""Fit what sounds in each kind of chord (retune/analysis/chord_weights.py).

    python tests/bench/fit_chords.py [--folder DIR] [--check]

A conditional logit with a ridge over half beats, on true beats and keys: of the songs at even
places of bench_time.py the chorales with a published reading and the tunes with printed symbols,
from stems and from a mix without its voice; of fit_songs.py chorales (what sounds) and tunes (what
the band plays), which count for less. --check
leaves out a quarter of the songs in turn and tells how well they are heard.
"""

from __future__ import annotations

import argparse
import os
import random
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from unittest import mock

import numpy as np
from bench_time import chord_score
from fit_songs import Played, played
from numpy.typing import NDArray
from scipy.optimize import minimize
from time_songs import Truth, songs

import retune
from retune.analysis import chord_listen, chord_weights
from retune.analysis.chord_listen import foreign_tones, listen_for_chords, spans_of
from retune.analysis.chord_templates import QUALITIES, deviations
from retune.analysis.chroma import Spectra
from retune.analysis.key import MAJOR_NAMES, MINOR_NAMES
from retune.carriers.heard import Bars, Key
from retune.theory.chords import parse_chord

Floats = NDArray[np.float64]
RIDGE = 1.0
READ, SOUNDING, PLAYED = 0.7, 0.3, 0.1
EACH_KIND = 50
FOLDS = 4
# A span is of one chord where that fills this much of it.
MOST = 0.8


@dataclass(frozen=True, eq=False)
class Case:
    """A song's half beats: what sounds by each root, (n, 12, 24), and which chord is right."""

    truth: Truth
    spectra: Spectra
    weight: float
    heard: Floats
    right: NDArray[np.int64]


def cases(folder: Path) -> Iterator[Case]:
    for truth, home in songs(folder)[::2]:
        if truth.kind in ("chorale", "symbols"):
            for how in ("stems", "mix"):
                yield _case(truth, _spectra(home / f"{how}.toml"), READ)
    for song in parted(folder)[0]:
        is_sung = song.truth.kind == "chorale"
        yield _case(song.truth, song.spectra, SOUNDING if is_sung else PLAYED)


def parted(folder: Path) -> tuple[list[Played], list[Played]]:
    """The songs of fit_songs.py that are fitted on, and the others whose chords are known."""
    left = {"chorale": EACH_KIND, "folk": EACH_KIND}
    heard = list(played(folder / "fit"))
    random.Random(9).shuffle(heard)
    fitted_on, others = [], []
    for song in (s for s in heard if s.truth.kind in left and s.truth.chords):
        kind = song.truth.kind
        if left[kind] and song.truth.tonic_pc is not None:
            left[kind] -= 1
            fitted_on.append(song)
        else:
            others.append(song)
    return fitted_on, others


def _spectra(path: Path) -> Spectra:
    """What sounds as it is heard in a song; nothing of this hearing is kept for others."""
    found: list[Spectra] = []

    def keep(spectra: Spectra, **_: object) -> tuple[()]:
        found.append(spectra)
        return ()

    with (
        mock.patch("retune.analysis.listened.listen_for_chords", keep),
        tempfile.TemporaryDirectory() as cache,
        mock.patch.dict(os.environ, {"RETUNE_CACHE": cache}),
    ):
        retune.analyze(path)
    return found[0]


def _case(truth: Truth, spectra: Spectra, weight: float) -> Case:
    _, times = spans_of(_bars(truth), truth.end_s)
    sounding = spectra.tones(times)
    right = np.array([_chord_of(truth, a, b) for a, b in pairwise(times)])
    all_tones, low = deviations(sounding.chroma), deviations(sounding.bass)
    by_root = [
        np.hstack([np.roll(all_tones, -r, axis=1), np.roll(low, -r, axis=1)]) for r in range(12)
    ]
    known = right >= 0
    return Case(truth, spectra, weight, np.stack(by_root, axis=1)[known], right[known])


def _bars(truth: Truth) -> Bars:
    return Bars((*truth.downbeats_s, truth.end_s), truth.meter, truth.tempo_bpm, "given")


def _key(truth: Truth) -> Key | None:
    if truth.tonic_pc is None:
        return None
    names = MINOR_NAMES if truth.is_minor else MAJOR_NAMES
    return Key(names[truth.tonic_pc], "minor" if truth.is_minor else "major")


def _chord_of(truth: Truth, start_s: float, end_s: float) -> int:
    """The place of the chord that fills most of a span; -1 where none does."""
    inside = [(min(end_s, b) - max(start_s, a), label) for a, b, label in truth.chords]
    share_s, label = max(inside, default=(0.0, "X"))
    if label == "X" or share_s < MOST * (end_s - start_s):
        return -1
    kind = {"dim7": "dim"}.get(label.split(":")[1], label.split(":")[1])
    if kind not in QUALITIES:
        return -1
    return 12 * list(QUALITIES).index(kind) + parse_chord(label, None).root_pc


def fitted(cases: Sequence[Case]) -> Floats:
    """A constant and 24 weights for each kind of chord, and at the end that of a foreign tone."""
    heard, right = (
        np.concatenate([c.heard for c in cases]),
        np.concatenate([c.right for c in cases]),
    )
    foreign = np.concatenate(
        [np.tile(foreign_tones(_key(c.truth)), (len(c.right), 1)) for c in cases]
    )
    weight = np.concatenate([np.full(len(c.right), c.weight) for c in cases])
    n, k = len(QUALITIES), np.arange(len(right))
    ridge = RIDGE * np.append(np.tile([0.1, *[1.0] * 24], n), 0.0)

    def loss(flat: Floats) -> tuple[float, Floats]:
        table = flat[:-1].reshape(n, 25)
        told = np.einsum("krf,qf->kqr", heard, table[:, 1:]) + table[:, :1]
        told = told.reshape(len(right), -1) + flat[-1] * foreign
        chance = np.exp(told - told.max(axis=1, keepdims=True))
        chance /= chance.sum(axis=1, keepdims=True)
        value = -float(weight @ np.log(chance[k, right] + 1e-12)) + float(ridge @ flat**2)
        slope = weight[:, None] * chance
        slope[k, right] -= weight
        by_kind = slope.reshape(-1, n, 12)
        of_tones = np.einsum("kqr,krf->qf", by_kind, heard)
        of_table = np.column_stack([by_kind.sum(axis=(0, 2)), of_tones])
        return value, np.append(of_table, (slope * foreign).sum()) + 2 * ridge * flat

    found = minimize(
        loss, np.zeros(25 * n + 1), jac=True, method="L-BFGS-B", options={"maxiter": 120}
    )
    return np.asarray(found.x)


def check(cases: Sequence[Case]) -> None:
    names = sorted({c.truth.name for c in cases})
    random.Random(1).shuffle(names)
    rows: dict[str, list[float]] = {}
    for fold in range(FOLDS):
        left_out = set(names[fold::FOLDS])
        told = fitted([c for c in cases if c.truth.name not in left_out])
        chord_listen.SOUNDS, chord_listen.FOREIGN = _named(told), float(told[-1])
        for case in (c for c in cases if c.truth.name in left_out):
            truth, key = case.truth, _key(case.truth)
            chords = listen_for_chords(
                case.spectra,
                bars=_bars(truth),
                key_at=lambda _, key=key: key,  # type: ignore[misc]
                duration_s=truth.end_s,
            )
            score = chord_score(truth, [(c.start_s, c.end_s, c.label) for c in chords])
            rows.setdefault(f"{truth.kind}, read" if case.weight == READ else truth.kind, [])
            rows[f"{truth.kind}, read" if case.weight == READ else truth.kind].append(score)
    for kind, scores in sorted(rows.items()):
        print(f"{kind:16} {np.nanmean(scores):.3f} of {len(scores)}")


def _named(flat: Floats) -> dict[str, tuple[float, tuple[float, ...], tuple[float, ...]]]:
    table = flat[:-1].reshape(len(QUALITIES), 25)
    return {
        kind: (float(row[0]), tuple(row[1:13]), tuple(row[13:]))
        for kind, row in zip(QUALITIES, table, strict=True)
    }


def write(flat: Floats) -> None:
    path = Path(chord_weights.__file__)
    head = path.read_text("utf-8").split("FOREIGN = ")[0]
    lines = [f"{head}FOREIGN = {flat[-1]:.2f}\n"]
    lines += ["SOUNDS: Mapping[str, tuple[float, Twelve, Twelve]] = MappingProxyType(\n    {\n"]
    for kind, (constant, *both) in _named(flat).items():
        rows = "".join(f"            ({', '.join(f'{w:.2f}' for w in row)}),\n" for row in both)
        lines.append(f'        "{kind}": (\n            {constant:.2f},\n{rows}        ),\n')
    path.write_text("".join(lines) + "    }\n)\n", "utf-8")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "time-songs")
    parser.add_argument("--check", action="store_true")
    options = parser.parse_args()
    found = list(cases(options.folder))
    if options.check:
        check(found)
    else:
        write(fitted(found))


if __name__ == "__main__":
    main()
