"""Fit `retune.repitch.lift_join`: how a lifted and an estimated voice add up to the true one.

    python tests/bench/fit_join.py --out join_net.npz         some minutes

From two real singers of `real_mixes` over every band, 0 and -6 dB, dry and in a room;
`bench_joined.py` measures on the other singers. The first layer is drawn by lot, the weights of the
last are solved for: least squares with a ridge towards the plain mean (random features: Rahimi &
Recht 2007, NIPS 20). Each mix counts by how far its plain mean errs. To be of more voices than
two, every mix is also seen faster and slower, by frames of other sizes; some with the band softer,
in mono or with a better estimate. The number of features and what soft bands count were chosen with
the other singers over one band, a guitar, in sight.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from bench_joined import TAUGHT, Sounds, sounds_of
from real_harmony import KINDS
from real_mixes import make_real_mix
from rooms import RATE_HZ
from scipy.ndimage import uniform_filter

from retune.repitch.frames import frames_of
from retune.repitch.lift import mid_and_side
from retune.repitch.lift_join import HOPS, N_BINS, N_FIGURES, figures

LEVELS_DB, ROUNDS = (0.0, -6.0), 1
SIZE, FASTER, SLOWER = 4096, (2944, 3328, 3712), (4480, 4992, 5504)
CROP_S, LEAST_FRAMES, PICKED, EVENLY, FLOOR = 4.0, 25, 8000, 0.02, 0.1
SOLO, SOLO_DB, MONO, NEARER = 0.15, (6.0, 40.0), 0.08, 0.08
N_FEATURES, SPREAD, OFFSET, RIDGE = 64, 0.5, 0.7, 1e-4


@dataclass(frozen=True, eq=False)
class Bins:
    """Some bins of a mix: figures there and their means about it (N_FIGURES, n), mix, lift,
    estimate and voice (4, 2, n), and how much each bin counts, (n,)."""

    here: np.ndarray
    around: np.ndarray
    parts: np.ndarray
    weight: np.ndarray


def some_bins(sounds: Sounds, size: int, rng: np.random.Generator) -> Bins | None:
    """Of a stretch of a mix by lot, the loud bins the likelier; None where too little is sung."""
    n = round(CROP_S * RATE_HZ)
    start = int(rng.integers(0, len(sounds.mix) - n))
    here = slice(start, start + n)
    pairs = (
        mid_and_side(np.asarray(y[here].T, np.float32))
        for y in (sounds.mix, sounds.lifted, sounds.estimate, sounds.voice)
    )
    parts = np.stack([frames_of(y, size=size, hops=HOPS)[..., :N_BINS] for y in pairs])
    parts = _otherwise(parts, rng)
    middle = np.arange(parts.shape[2]) * (size // HOPS) - size // 2
    inside = sounds.inside[here][np.clip(middle, 0, n - 1)]
    inside &= (middle > size) & (middle < n - size)
    if inside.sum() < LEAST_FRAMES:
        return None
    shown = figures(parts[:3])
    around = uniform_filter(shown, (0, 3, 3), mode="constant")
    loud = np.sum(np.abs(parts[1:]) ** 2, axis=(0, 1)) * inside[:, None]
    odds = (np.sqrt(loud / loud.sum()) + EVENLY / np.sqrt(loud.size)) * inside[:, None]
    odds = odds.ravel() / odds.sum()
    picked = rng.choice(loud.size, PICKED, p=odds)
    wrong = np.abs(parts[1:3].mean(axis=0) - parts[3]) ** 2 * inside[:, None]
    sung = np.abs(parts[3]) ** 2 * inside[:, None]
    return Bins(
        shown.reshape(N_FIGURES, -1)[:, picked],
        around.reshape(N_FIGURES, -1)[:, picked],
        parts.reshape(4, 2, -1)[..., picked],
        1 / (odds[picked] * PICKED * (wrong.sum() + FLOOR * sung.sum())),
    )


def _otherwise(parts: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Some with a band that is softer, some in mono, some with a better estimate."""
    lot, voice = rng.random(), parts[3:]
    if lot < SOLO:
        return voice + 10 ** (-rng.uniform(*SOLO_DB) / 20) * (parts - voice)
    if lot < SOLO + MONO:
        return parts * np.array([[[[1.0]], [[0.0]]]], np.float32)
    if lot < SOLO + MONO + NEARER:
        parts[2] += rng.random() * (parts[3] - parts[2])
    return parts


def all_sounds() -> Iterator[Sounds]:
    for name in TAUGHT:
        for kind in KINDS:
            for lead_db in LEVELS_DB:
                for is_wet in (False, True):
                    yield sounds_of(make_real_mix(name, kind, lead_db=lead_db, is_wet=is_wet))


def all_bins(rng: np.random.Generator) -> list[Bins]:
    found = []
    for sounds in all_sounds():
        for _ in range(ROUNDS):
            for size in (SIZE, int(rng.choice(FASTER)), int(rng.choice(SLOWER))):
                bins = some_bins(sounds, size, rng)
                found += [bins] if bins is not None else []
    return found


def first_layer(rows: list[Bins], rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """By lot, from the figures of a bin and their means over 3 x 3, each brought to one size:
    weight (N_FEATURES, N_FIGURES, 3, 3), bias."""
    shown = np.concatenate([row.here for row in rows], axis=1)
    middle, spread = shown.mean(axis=1), shown.std(axis=1) + 1e-3
    here, around = SPREAD * rng.standard_normal((2, N_FEATURES, N_FIGURES)) / spread
    weight = np.repeat(around[:, :, None] / 9, 9, axis=2).reshape(N_FEATURES, N_FIGURES, 3, 3)
    weight[:, :, 1, 1] += here
    bias = OFFSET * rng.standard_normal(N_FEATURES) - (here + around) @ middle
    return weight, bias


def last_layer(rows: list[Bins], weight: np.ndarray, bias: np.ndarray) -> np.ndarray:
    """What adds mix, lift and estimate up to the voice: (3, 2, N_FEATURES + 1), constants last."""
    around = 9 * weight[:, :, 0, 0]
    here = weight[:, :, 1, 1] - weight[:, :, 0, 0]
    size = 3 * (N_FEATURES + 1)
    left, right = np.zeros((2, size, size)), np.zeros((2, size))
    for row in rows:
        bent = np.maximum(here @ row.here + around @ row.around + bias[:, None], 0)
        bent = np.concatenate([bent, np.ones((1, bent.shape[1]))]).astype(np.float32)
        root = np.sqrt(row.weight).astype(np.float32)
        for c in range(2):
            table = (row.parts[:3, c, None] * bent * root).reshape(size, -1)
            wanted = row.parts[3, c] * root
            left[c] += (table @ table.conj().T).real
            right[c] += (table @ wanted.conj()).real
    mean = np.zeros((3, N_FEATURES + 1))
    mean[1:, -1] = 0.5
    ridge = RIDGE * np.trace(left, axis1=1, axis2=2)[:, None, None] / size * np.eye(size)
    short = right - left @ mean.ravel()
    found = mean.ravel() + np.linalg.solve(left + ridge, short[..., None])[..., 0]
    return found.reshape(2, 3, -1).transpose(1, 0, 2)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    args = parser.parse_args()
    rng = np.random.default_rng(5)
    rows = all_bins(rng)
    weight, bias = first_layer(rows, rng)
    last = last_layer(rows, weight, bias).reshape(6, -1)
    kept = {"weight_0": weight, "bias_0": bias}
    kept |= {"weight_1": last[:, :-1, None, None], "bias_1": last[:, -1]}
    np.savez_compressed(args.out, **{n: a.astype(np.float32) for n, a in kept.items()})  # type: ignore[arg-type]
    print(f"{len(rows)} stretches, {args.out}")


if __name__ == "__main__":
    main()
