"""Fit the weights of `retune.repitch.share` on practice mixes and print them.

    python tests/bench/fit_share.py              40 mixes, every fourth left out to measure

The least weighted square of fitted less true share of the voice, weight the root of the power.
Printed: error of the lifted harmonics re the voice, dB, on the mixes left out, by power and by
its root; then weights fitted to all of the mixes.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
from scipy.ndimage import uniform_filter1d
from scipy.optimize import minimize

sys.path.insert(0, str(Path(__file__).parent))

from practice import RATE_HZ, Floats, Practice, make_practice, rough_guide

from retune.core.carriers import Audio
from retune.repitch.lift import CONTEXT_S, frames_of, make_warp, mid_and_side, to_warped
from retune.repitch.mix_pitch import mix_pitch
from retune.repitch.seam import FRAME_S
from retune.repitch.share import HOPS, VOICE, measure, teeth, valleys
from retune.track import track_mix

TOP_HZ, EDGE_S, LEAST_S, NEAR_CENTS, MOST_ROWS = 9000.0, 0.02, 0.25, 60.0, 3000
Rows = tuple[Floats, Floats, Floats]  # figures, true share, power


def heard(practice: Practice) -> Floats:
    """The pitch as the job finds it with a guide that is 30 ms off (standard deviation)."""
    guide = rough_guide(practice)
    samples = practice.mix.astype(np.float32)
    track = track_mix(Audio(samples, RATE_HZ), fmin_hz=65.0, fmax_hz=1200.0, guide=guide)
    return mix_pitch(samples, rate_hz=RATE_HZ, start_s=0.0, track=track, notes=())


def rows_of(practice: Practice) -> list[list[Rows]]:
    """Of each voiced run: rows of the middle, the side, and the two as one channel."""
    f0_hz, frame, found = heard(practice), FRAME_S * RATE_HZ, []
    voiced = np.concatenate([[False], np.isfinite(f0_hz), [False]])
    sung = np.isfinite(practice.f0_hz)
    for start, stop in np.flatnonzero(voiced[1:] != voiced[:-1]).reshape(-1, 2):
        a, b = max(int((start - 0.5) * frame), 0), min(int((stop - 0.5) * frame), len(practice.mix))
        reach = int(CONTEXT_S * RATE_HZ)
        place = np.arange(max(a - reach, 0), min(b + reach, len(practice.mix)))
        at = np.clip(place / frame, start, stop - 1)
        hz = np.exp(np.interp(at, np.arange(start, stop), np.log(f0_hz[start:stop])))
        truth = np.interp(place / RATE_HZ, practice.time_s[sung], practice.f0_hz[sung])
        off = np.median(np.abs(1200 * np.log2(hz / truth)))
        if b - a >= LEAST_S * RATE_HZ and off < NEAR_CENTS:
            parts = [x[place] for x in (practice.mix, practice.voice, practice.backing)]
            stereo = _rows([mid_and_side(x.T) for x in parts], hz, place, a, b)
            found.append(stereo + _rows([x.mean(axis=1)[None] for x in parts], hz, place, a, b))
    return found


def _rows(parts: list[Floats], hz: Floats, place: Floats, a: int, b: int) -> list[Rows]:
    warp = make_warp(hz, rate_hz=RATE_HZ)
    size = VOICE.periods * warp.period
    n = min(max(int(TOP_HZ / hz.max()), 1), warp.period // 2 - 1)
    spectra = [frames_of(to_warped(x, warp), size=size) for x in parts]
    tooth, voice, band = (teeth(s, comb=VOICE, n_harmonics=n) for s in spectra)
    figures = measure(tooth, np.maximum(*valleys(spectra[0], comb=VOICE, n_harmonics=n)))
    ours, theirs = (uniform_filter1d(np.abs(t) ** 2, 3, axis=1) for t in (voice, band))
    middle = np.arange(tooth.shape[1]) * (size // HOPS) - size / 2
    at, edge = np.interp(middle, warp.phase, place), EDGE_S * RATE_HZ
    keep = (middle > 0) & (at > a + edge) & (at < b - edge)
    share = ours / (ours + theirs + 1e-20)
    return [
        (f[keep].reshape(-1, f.shape[-1]), s[keep].ravel(), p[keep].ravel())
        for f, s, p in zip(figures, share, ours + theirs, strict=True)
    ]


def fit(mixes: list[Rows]) -> Floats:
    rng = np.random.default_rng(0)
    picks = [rng.permutation(len(m[1]))[:MOST_ROWS] for m in mixes]
    x, y, power = (
        np.concatenate([m[i][p] for m, p in zip(mixes, picks, strict=True)]) for i in range(3)
    )
    root = [np.sqrt(m[2][p]) for m, p in zip(mixes, picks, strict=True)]
    weight = np.concatenate([r / r.sum() for r in root])
    mean, spread = x.mean(axis=0), x.std(axis=0) + 1e-9
    table = np.column_stack([(x - mean) / spread, np.ones(len(power))])

    def loss(slopes: Floats) -> tuple[float, Floats]:
        share = 1 / (1 + np.exp(-table @ slopes))
        miss, held = share - y, np.append(slopes[:-1], 0.0)
        slope = table.T @ (weight * miss * share * (1 - share))
        return float(np.sum(weight * miss**2) + 1e-4 * held @ held), 2 * (slope + 1e-4 * held)

    best = minimize(loss, np.zeros(table.shape[1]), jac=True, method="L-BFGS-B").x
    slopes = np.where(spread > 1e-6, best[:-1] / spread, 0.0)
    return np.append(slopes, best[-1] - slopes @ mean)


def error_db(weights: Floats, mixes: list[Rows], voices: list[Rows], *, power: float) -> float:
    errors = []
    for (x, y, p), (_, sung, loud) in zip(mixes, voices, strict=True):
        share = 1 / (1 + np.exp(-(x @ weights[:-1] + weights[-1])))
        error = np.sum(p**power * ((1 - share) ** 2 * y + share**2 * (1 - y)))
        errors.append(error / np.sum(loud**power * sung))
    return float(10 * np.log10(np.mean(errors)))


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--mixes", type=int, default=40)
    runs = [rows_of(make_practice(k)) for k in range(parser.parse_args().mixes)]
    data = [
        [tuple(np.concatenate([run[c][i] for run in mix]) for i in range(3)) for c in range(3)]
        for mix in runs
        if mix
    ]
    held = [d for k, d in enumerate(data) if k % 4 == 3]
    for c, name in enumerate(("MIDDLE", "SIDE", "ALONE")):
        tried = fit([d[c] for k, d in enumerate(data) if k % 4 != 3])
        told = [
            error_db(tried, [d[c] for d in held], [d[0 if c < 2 else c] for d in held], power=p)
            for p in (1.0, 0.5)
        ]
        print(f"{name:7} {told[0]:6.1f} {told[1]:6.1f} dB  ", end="")
        print(*(f"{w:.3f}" for w in fit([d[c] for d in data])), flush=True)


if __name__ == "__main__":
    main()
