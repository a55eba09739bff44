"""Teach `retune.repitch.share` how much of a harmonic is voice, on mixes by `melody_mixes`.

    pip install torch                             for this script alone
    python tests/bench/fit_share.py --minutes 20 --out share_net.npz

The pitch is the one that the job hears in each mix, without a guide; runs where it is another one
are left out. Loss: the power that is wrongly given or kept, over that of the voice, and the same
of its root, which the soft harmonics rule. Printed now and then, on `practice` mixes, which are
not learned from: both errors, dB, and how much of the voice's power is left behind, dB.

The weights that are shipped were taught for nine minutes on two processors, on 340 mixes without
SOLO and 80 more with the voice alone in every run. Their pitch was refined with an earlier rule for
the share. Another run gives others of their kind.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from scipy.ndimage import uniform_filter1d
from torch import nn

sys.path.insert(0, str(Path(__file__).parent))

import melody_mixes
from practice import RATE_HZ, Floats, Practice, make_practice, of_parts, rough_guide
from pupils import convolutions, folded

from retune.carriers.heard import Audio
from retune.repitch.frames import HOPS, frames_of
from retune.repitch.lift import CONTEXT_S, make_warp, mid_and_side, to_warped
from retune.repitch.mix_pitch import mix_pitch
from retune.repitch.seam import FRAME_S
from retune.repitch.share import N_FIGURES, VOICE, measure, teeth, valleys
from retune.song.guide import GuideNote
from retune.track import track_mix

TOP_HZ, EDGE_S, LEAST_S, NEAR_CENTS = 9000.0, 0.02, 0.25, 60.0
LOW_TOPS_HZ = (1500.0, 3000.0)  # mix_pitch lifts no more than these at first
MONO, LOW_TOP, SOLO = 0.15, 0.2, 0.15  # how many of the runs
SOLO_DB = (20.0, 60.0)  # the band is softer by so much where the voice sings alone
WIDTH, BATCH, N_FRAMES = 16, 12, 48
SHAPES = ((5, 5), (5, 5), (3, 3))  # frames and harmonics of each layer
FASTEST, SLOWEST, RISE = 3e-3, 1e-5, 50
FLOOR, N_HELD_OUT = 0.05, 20
# Log odds added to what was learned, so that less of the old pitch is left: of 0.3, 0.5 and 0.7 the
# most that keeps the damage to the band at 1.5 dB in a room, in bench_mix.py --seed 0 and 20.
EAGER = 0.5


@dataclass(frozen=True, eq=False)
class Run:
    """One voiced stretch: figures (N_FIGURES, n_frames, n_harmonics), the true share and the power
    (2, n_frames, n_harmonics) of middle and side, and the frames inside the voice."""

    figures: Floats
    share: Floats
    power: Floats
    inside: Floats


def made(k: int) -> Practice:
    """The k-th mix to learn from."""
    lead, rng = melody_mixes.some_lead(k), np.random.default_rng([55, k])
    band, _ = melody_mixes.some_band(melody_mixes.in_key(lead.key, rng))
    return of_parts(lead, *melody_mixes.some_parts(lead, band, rng))


def heard(practice: Practice, guide: list[GuideNote]) -> Floats:
    samples = practice.mix.astype(np.float32)
    track = track_mix(Audio(samples, RATE_HZ), fmin_hz=65.0, fmax_hz=1200.0, guide=guide)
    return mix_pitch(samples, rate_hz=RATE_HZ, start_s=0.0, track=track, notes=())


def runs_of(practice: Practice, f0_hz: Floats, rng: melody_mixes.Rng) -> Iterator[Run]:
    frame, sung = FRAME_S * RATE_HZ, np.isfinite(practice.f0_hz)
    voiced = np.concatenate([[False], np.isfinite(f0_hz), [False]])
    for start, stop in np.flatnonzero(voiced[1:] != voiced[:-1]).reshape(-1, 2):
        a, b = max(int((start - 0.5) * frame), 0), min(int((stop - 0.5) * frame), len(practice.mix))
        reach = int(CONTEXT_S * RATE_HZ)
        place = np.arange(max(a - reach, 0), min(b + reach, len(practice.mix)))
        at = np.clip(place / frame, start, stop - 1)
        hz = np.exp(np.interp(at, np.arange(start, stop), np.log(f0_hz[start:stop])))
        truth = np.interp(place / RATE_HZ, practice.time_s[sung], practice.f0_hz[sung])
        off = np.median(np.abs(1200 * np.log2(hz / truth)))
        if b - a >= LEAST_S * RATE_HZ and off < NEAR_CENTS:
            parts = [mid_and_side(x[place].T) for x in (practice.voice, practice.backing)]
            if rng.random() < SOLO:
                parts[1] *= 10 ** (-rng.uniform(*SOLO_DB) / 20)
            if rng.random() < MONO:
                parts = [x * [[1.0], [0.0]] for x in parts]
            low = rng.random() < LOW_TOP
            yield _run(parts, hz, place, (a, b), float(rng.choice(LOW_TOPS_HZ)) if low else TOP_HZ)


def _run(parts: list[Floats], hz: Floats, place: Floats, ends: tuple[int, int], top: float) -> Run:
    warp = make_warp(hz, rate_hz=RATE_HZ)
    size = VOICE.periods * warp.period
    n = min(max(int(top / hz.max()), 1), warp.period // 2 - 1)
    spectra = [frames_of(to_warped(x, warp), size=size) for x in (parts[0] + parts[1], *parts)]
    tooth, voice, band = (teeth(s, comb=VOICE, n_harmonics=n) for s in spectra)
    figures, _ = measure(tooth, *valleys(spectra[0], comb=VOICE, n_harmonics=n))
    ours, theirs = (uniform_filter1d(np.abs(t) ** 2, 3, axis=1) for t in (voice, band))
    middle = np.arange(tooth.shape[1]) * (size // HOPS) - size / 2
    at, edge = np.interp(middle, warp.phase, place), EDGE_S * RATE_HZ
    inside = (middle > 0) & (at > ends[0] + edge) & (at < ends[1] - edge)
    power = ours + theirs
    share, scale = ours / (power + 1e-20), np.sum(ours[:, inside]) / max(inside.sum(), 1)
    return Run(
        figures.astype(np.float16),
        share.astype(np.float16),
        (power / (scale + 1e-20)).astype(np.float32),
        inside,
    )


class Pupil(nn.Module):
    """The network of `share`, with batch normalization while it learns."""

    def __init__(self) -> None:
        super().__init__()
        widths = (N_FIGURES, *(WIDTH for _ in SHAPES))
        self.steps = convolutions(widths, SHAPES)
        self.norms = nn.ModuleList(nn.BatchNorm2d(WIDTH) for _ in SHAPES)
        self.last = nn.Conv2d(WIDTH, 2, 1)

    def forward(self, x: torch.Tensor, there: torch.Tensor) -> torch.Tensor:
        """`there` (n, 1, n_frames, n_harmonics): beyond the ends of a run is nothing."""
        for step, norm in zip(self.steps, self.norms, strict=True):
            x = torch.relu(norm(step(x))) * there
        return torch.sigmoid(self.last(x))

    def save(self, path: Path) -> None:
        """The weights as `share` reads them, normalization folded in."""
        kept, k = folded(self.steps, self.norms), len(self.steps)
        kept[f"weight_{k}"] = self.last.weight.detach().numpy()
        kept[f"bias_{k}"] = self.last.bias.detach().numpy() + np.float32(EAGER)
        np.savez_compressed(path, **kept)  # type: ignore[arg-type]


def batch_of(runs: list[Run], rng: melody_mixes.Rng) -> list[torch.Tensor]:
    """Figures, true share, power where it counts, and which harmonics there are."""
    wide = max(r.figures.shape[2] for r in runs)
    x = np.zeros((len(runs), N_FIGURES, N_FRAMES, wide), np.float32)
    y, power = np.zeros((2, len(runs), 2, N_FRAMES, wide), np.float32)
    there = np.zeros((len(runs), 1, N_FRAMES, wide), np.float32)
    for k, run in enumerate(runs):
        n = min(run.figures.shape[1], N_FRAMES)
        first = int(rng.integers(0, run.figures.shape[1] - n + 1))
        here, m = slice(first, first + n), run.figures.shape[2]
        x[k, :, :n, :m] = run.figures[:, here]
        y[k, :, :n, :m] = run.share[:, here]
        power[k, :, :n, :m] = run.power[:, here] * run.inside[None, here, None]
        there[k, :, :n, :m] = 1
    return [torch.as_tensor(part) for part in (x, y, power, there)]


def errors(share: torch.Tensor, y: torch.Tensor, power: torch.Tensor) -> list[torch.Tensor]:
    """The wrongly given and kept re the voice, of each run: by power, and by its root."""
    axes, wrong = (1, 2, 3), (share - y) ** 2
    return [(power**p * wrong).sum(axes) / ((power**p * y).sum(axes) + 1e-3) for p in (1.0, 0.5)]


def told(pupil: Pupil, runs: list[Run]) -> str:
    pupil.eval()
    rows = []
    with torch.no_grad():
        for run in runs:
            x = torch.as_tensor(run.figures[None], dtype=torch.float32)
            share = pupil(x, torch.ones(1, 1, *x.shape[2:]))[0].numpy()
            power = run.power * run.inside[None, :, None]
            row = [np.sum(power**p * (share - run.share) ** 2) / np.sum(power**p * run.share)
                   for p in (1.0, 0.5)]  # fmt: skip
            row.append(np.sum(power * run.share * (1 - share) ** 2) / np.sum(power * run.share))
            rows.append(row)
    pupil.train()
    return " ".join(f"{10 * np.log10(x):.2f}" for x in np.mean(rows, axis=0)) + " dB"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--minutes", type=float, default=20.0)
    parser.add_argument("--mixes", type=int, default=300)
    parser.add_argument("--out", type=Path, required=True)
    args = parser.parse_args()
    rng = np.random.default_rng(2)
    torch.manual_seed(1)
    practice = [make_practice(k) for k in range(N_HELD_OUT)]
    held_out = [r for m in practice for r in runs_of(m, heard(m, rough_guide(m)), rng)]
    mixes = (made(k) for k in range(args.mixes))
    runs = [r for m in mixes for r in runs_of(m, heard(m, []), rng)]
    pupil = teach(runs, held_out, minutes=args.minutes)
    pupil.save(args.out)


def teach(runs: list[Run], held_out: list[Run], *, minutes: float) -> Pupil:
    """AdamW (Loshchilov & Hutter 2019, ICLR), its rate falling along a cosine (2017)."""
    pupil, rng = Pupil(), np.random.default_rng(3)
    learner = torch.optim.AdamW(pupil.parameters(), FASTEST, weight_decay=1e-4)
    began = last_told = time.monotonic()
    n_steps = 0
    while (part := (time.monotonic() - began) / (60 * minutes)) < 1:
        n_steps += 1
        rise = min(1.0, n_steps / RISE)
        learner.param_groups[0]["lr"] = SLOWEST + FASTEST * rise * 0.5 * (1 + np.cos(np.pi * part))
        picked = [runs[int(i)] for i in rng.integers(len(runs), size=BATCH)]
        x, y, power, there = batch_of(picked, rng)
        by_power, by_root = errors(pupil(x, there), y, power)
        # Runs in which little is to be gained still count.
        loss = (torch.log(by_power + FLOOR) + torch.log(by_root + FLOOR)).mean()
        learner.zero_grad()
        loss.backward()  # type: ignore[no-untyped-call]
        nn.utils.clip_grad_norm_(pupil.parameters(), 5.0)
        learner.step()
        if time.monotonic() - last_told > 60:
            last_told = time.monotonic()
            print(f"{n_steps} steps, loss {loss.item():.3f}, {told(pupil, held_out)}", flush=True)
    pupil.eval()
    print(f"at the end {told(pupil, held_out)}", flush=True)
    return pupil


if __name__ == "__main__":
    main()
