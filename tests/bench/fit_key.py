"""Fit the weights by which keys are told where harmony is heard (retune/analysis/key_weights.py).

    python tests/bench/fit_key.py [--folder DIR] [--songs 40] [--check]

A conditional logit with a ridge over the 24 keys: major and minor have weights of their own, drawn
to those of both. Songs are those of fit_songs.py and those over rounds of chords (key_songs.py),
but for the tunes of bench_ten.py; each whole and in parts of 20 s, which have no beginning and no
end, with its notes known, as in stems, and with none, as in a mix. --check fits on three quarters
of the songs in turn, and tells how often the likeliest key of the rest is right, by kind of song
and by how likely it is told, beside the correlation of all that sounds with a profile alone.
"""

from __future__ import annotations

import argparse
import random
import tempfile
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import fit_songs
import numpy as np
from fit_songs import LOST, Played
from key_songs import mode_of, rounds
from numpy.typing import NDArray
from scipy.optimize import minimize
from time_scores import Piece
from time_songs import Truth

from retune.analysis import key_weights
from retune.analysis.chroma import HOP_S, Spectra
from retune.analysis.key import histogram
from retune.analysis.key_evidence import evidence, names
from retune.analysis.key_harmony import harmony_of
from retune.theory.chords import parse_chord

Floats = NDArray[np.float64]
Notes = list[tuple[int, float, float]]
RIDGE, RIDGE_OF_MODE, FOLDS = 24.0, 48.0, 4
N_ROUNDS, PARTS, PART_S = 450, 2, 20.0
MISHEARD = 0.02


@dataclass(frozen=True, eq=False)
class Case:
    """A song, or a part of one: what speaks for each key, (2, 12, n), and which is right."""

    name: str
    kind: str
    evidence: NDArray[np.float32]
    mode: int
    tonic: int


def cases(folder: Path, limit: int | None) -> Iterator[Case]:
    kept_aside = fit_songs.of_ten()
    for piece, song in pieces_played(folder, limit):
        is_known = piece.tonic_pc is not None and piece.name not in kept_aside
        if is_known and piece.kind != "alone":
            yield from cases_of(piece, song)


def pieces_played(folder: Path, limit: int | None) -> Iterator[tuple[Piece, Played]]:
    """Scores, and what is heard of them: those of fit_songs.py, and rounds of chords."""
    every = [*fit_songs.kept_pieces(folder), *fit_songs.kept_varied(folder), *rounds(N_ROUNDS)]
    chosen = every[:: max(1, len(every) // limit) if limit else 1]
    yield from zip(chosen, fit_songs.played_once(chosen, folder), strict=True)


def cases_of(piece: Piece, song: Played) -> Iterator[Case]:
    """A song whole, and some parts of it."""
    rng = random.Random(zlib.crc32(piece.name.encode()))
    lead, bass = _heard_notes(piece, song, rng)
    length_s = len(song.spectra.fine) * HOP_S
    spans = [(0.0, length_s)]
    if length_s > PART_S + 1:
        firsts = [rng.uniform(0.0, length_s - PART_S - 1) for _ in range(PARTS)]
        spans += [(first_s, first_s + PART_S) for first_s in firsts]
    for k, span in enumerate(spans):
        harmony = harmony_of(_part(song.spectra, *span), is_whole=k == 0)
        if harmony is None:
            continue
        inside = [n for n in (*lead, *bass) if span[0] <= n[1] < span[1]]
        counts = histogram([n for n, _, _ in inside], [end_s - at_s for _, at_s, end_s in inside])
        last = lead[-1][0] if k == 0 and lead else None
        for how, told in (("notes known", (counts, last)), ("none", (np.zeros(12), None))):
            kind = f"{mode_of(piece)}, {'whole' if k == 0 else 'part'}, {how}"
            yield Case(
                piece.name,
                kind,
                evidence(*told, harmony).astype(np.float32),
                int(piece.is_minor),
                piece.tonic_pc or 0,
            )


def _part(spectra: Spectra, start_s: float, end_s: float) -> Spectra:
    part = slice(round(start_s / HOP_S), round(end_s / HOP_S))
    return Spectra(spectra.fine[part], spectra.power[part])


def _heard_notes(piece: Piece, song: Played, rng: random.Random) -> tuple[Notes, Notes]:
    """The melody and the bass, some notes lost and some a semitone off."""
    lead = _timed(piece, song.truth, "vocal")
    bass = _timed(piece, song.truth, "bass")
    if song.bass and not bass:
        roots = [c for c in song.truth.chords if c[2] != "X"]
        bass = [(36 + parse_chord(label, None).root_pc, a, b) for a, b, label in roots]
    return _misheard(lead, rng), _misheard(bass, rng)


def _timed(piece: Piece, truth: Truth, part: str) -> Notes:
    """The tones of a part in seconds, by where the beats were played."""
    beats = truth.beats_s
    first = piece.first_bar - int(piece.first_bar / piece.beat + 1e-6) * piece.beat
    places = first + piece.beat * np.arange(len(beats))
    period_s = float(beats[-1] - beats[0]) / (len(beats) - 1)

    def seconds(quarters: float) -> float:
        outside = quarters - float(np.clip(quarters, places[0], places[-1]))
        return float(np.interp(quarters, places, beats)) + outside / piece.beat * period_s

    rows = [(t.midi, seconds(t.onset), seconds(t.onset + t.duration)) for t in
            sorted(piece.parts.get(part, []), key=lambda t: t.onset)]  # fmt: skip
    return [row for row in rows if row[1] < truth.end_s - 0.05]


def _misheard(notes: Notes, rng: random.Random) -> Notes:
    return [
        (midi + (rng.choice((-1, 1)) if rng.random() < MISHEARD else 0), a, b)
        for midi, a, b in notes
        if rng.random() > LOST
    ]


# --- fitting ------------------------------------------------------------------------------------


def fitted(rows: Sequence[Case]) -> Floats:
    """Weights that make the right keys likeliest, (2 modes, n)."""
    told = np.stack([c.evidence for c in rows])
    spread = np.maximum(told.std(axis=(0, 1, 2)), 1e-3)
    told /= spread.astype(np.float32)
    at, modes, tonics = np.arange(len(rows)), [c.mode for c in rows], [c.tonic for c in rows]
    n = len(spread)

    def loss(weights: Floats) -> tuple[float, Floats]:
        common, own = weights[:n], weights[n:]
        by_mode = np.stack([common + own, common - own]).astype(np.float32)
        chance = _chances(np.einsum("smkn,mn->smk", told, by_mode, optimize=True))
        of_right = np.maximum(chance[at, modes, tonics], 1e-12)
        chance[at, modes, tonics] -= 1.0
        slope = np.einsum("smk,smkn->mn", chance, told, optimize=True)
        value = -float(np.log(of_right).sum())
        value += RIDGE * float(common @ common) + RIDGE_OF_MODE * float(own @ own)
        of_common = slope.sum(axis=0) + 2 * RIDGE * common
        return value, np.concatenate([of_common, slope[0] - slope[1] + 2 * RIDGE_OF_MODE * own])

    found = minimize(loss, np.zeros(2 * n), jac=True, method="L-BFGS-B", options={"maxiter": 200})
    common, own = found.x[:n], found.x[n:]
    return np.asarray(np.stack([common + own, common - own]) / spread)


def _chances(told: Floats) -> Floats:
    """How likely each key is by log odds, (..., 2, 12)."""
    chance = np.exp(told - told.max(axis=(-2, -1), keepdims=True))
    return np.asarray(chance / chance.sum(axis=(-2, -1), keepdims=True))


def check(rows: Sequence[Case]) -> None:
    """How often the likeliest key of songs not fitted on is right."""
    found = sorted({c.name for c in rows})
    random.Random(1).shuffle(found)
    fold = {name: k % FOLDS for k, name in enumerate(found)}
    told: dict[str, list[tuple[float, bool, bool]]] = {}
    for k in range(FOLDS):
        weights = fitted([c for c in rows if fold[c.name] != k])
        for case in (c for c in rows if fold[c.name] == k):
            chance = _chances(np.einsum("mkn,mn->mk", case.evidence, weights))
            right = 12 * case.mode + case.tonic
            by_profile = int(case.evidence[:, :, 1].argmax()) == right
            row = float(chance.max()), int(chance.argmax()) == right, by_profile
            told.setdefault(case.kind, []).append(row)
    print(f"{'':32}{'right':>7}{'told':>7}{'profile':>9}{'of':>6}")
    for kind, some in sorted(told.items()):
        sure, right, profile = np.mean(some, axis=0)
        print(f"{kind:32}{right:7.3f}{sure:7.3f}{profile:9.3f}{len(some):6d}")
    sure, right, _ = np.array([row for some in told.values() for row in some]).T
    for low in np.arange(0.0, 1.0, 0.1):
        here = (sure >= low) & (sure < low + 0.1)
        if here.any():
            print(f"  told {sure[here].mean():.2f}  right {right[here].mean():.2f}  {here.sum()}")


def write(weights: Floats) -> None:
    path = Path(key_weights.__file__)
    lines, at = [path.read_text("utf-8").split("    {\n")[0] + "    {\n"], 0
    for name, count in names():
        lines.append(f'        "{name}": (\n')
        for row in weights[:, at : at + count]:
            numbers = ", ".join(f"{w:.2f}" for w in row) + ("," if count == 1 else "")
            lines.append(f"            ({numbers}),\n")
        lines.append("        ),\n")
        at += count
    path.write_text("".join(lines) + "    }\n)\n", "utf-8")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "time-songs")
    parser.add_argument("--songs", type=int, default=0, help="about how many; 0: all")
    parser.add_argument("--check", action="store_true")
    options = parser.parse_args()
    rows = list(cases(options.folder / "fit", options.songs or None))
    if options.check:
        check(rows)
    else:
        write(fitted(rows))


if __name__ == "__main__":
    main()
