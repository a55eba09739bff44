"""Teach `retune.track.melody_net` to hear a melody in mixes made by `melody_mixes`.

    pip install torch                             for this script alone
    python tests/bench/fit_melody.py --minutes 45 --out melody_net.npz

Each step mixes four voices with four bands in the same key, at other levels and in other rooms
each time. Printed now and then: the loss, and on two kinds of `practice` mixes, which are not
learned from, the share of sung frames whose likeliest pitch is within 50 cents, and of the others
called sung. Needs what `spoken_leads` and `played_tones` need. The learner's rate rises, then falls
along a cosine (Loshchilov & Hutter 2017, ICLR; AdamW: the same, 2019). The weights that
are shipped were taught for three quarters of an hour on one processor without speech and soundfont
(--spoken 0 --played 0), then with both for 52 minutes on two, going on from those (--from and
--fastest 1.5e-3): about a thousand steps each time.
"""

from __future__ import annotations

import argparse
import queue
import sys
import threading
import time
from collections import defaultdict
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import torch
from torch import nn

sys.path.insert(0, str(Path(__file__).parent))

from melody_mixes import (
    RATE_HZ,
    Floats,
    Lead,
    Rng,
    played_band,
    some_band,
    some_lead,
    some_mix,
    spoken_lead,
)
from practice import Practice, make_practice, make_words
from pupils import convolutions, folded

from retune.carriers.heard import Audio
from retune.track import melody_net as net
from retune.track.mix_frames import HOP, STRIDE, loudness, spectra_of

FRAME_S = STRIDE * HOP / RATE_HZ
WIDTH, BATCH, N_FRAMES = 24, 4, 400
SHAPES = ((5, 5), (5, 5), (5, 3), (5, 3), (5, 3))  # frames and bins of each layer
BLUR_BINS = 0.8
FASTEST, SLOWEST, RISE = 3e-3, 1e-5, 50
FIRST = 120  # songs made before it begins
N_HELD_OUT = 30
Example = tuple[Floats, Floats]  # (2, n_frames, N_GRID), bins of the melody or NaN
Key = tuple[int, bool]


def seen(mix: Floats, rate_hz: int) -> Floats:
    """What the network is given, but for the loudness: magnitudes over their usual size."""
    parts = list(spectra_of(Audio(mix.astype(np.float32), rate_hz)))
    magnitudes = np.concatenate(parts, axis=1)[:, ::STRIDE]
    return np.asarray(magnitudes / loudness(magnitudes))


def bins_of(n_frames: int, time_s: Floats, f0_hz: Floats) -> Floats:
    at_s, sung = np.arange(n_frames) * FRAME_S, np.isfinite(f0_hz)
    octaves = np.interp(at_s, time_s[sung], np.log2(f0_hz[sung] / net.LOWEST_HZ))
    voiced = np.interp(at_s, time_s, sung.astype(float), right=0) > 0.5
    return np.where(voiced, net.PER_OCTAVE * octaves, np.nan)


def example(lead: Lead, band: Floats, rng: Rng) -> Example:
    x = seen(some_mix(lead, band, rng), RATE_HZ)
    place = np.linspace(0, 1, net.N_GRID)
    slope, wave = rng.normal(0, 0.3, 2)
    colour = slope * (2 * place - 1) + wave * np.cos(6 * place + rng.uniform(0, 6.3))
    gain = 10 ** (rng.normal(0, 4) / 20)
    return np.log1p(net.GAIN * gain * x * np.exp(colour)), bins_of(
        x.shape[1], lead.time_s, lead.f0_hz
    )


class Maker:
    """Makes examples in a thread of its own; voices and bands are added as long as it runs."""

    def __init__(self, most: int, *, spoken: float, played: float) -> None:
        self.ready: queue.Queue[Example] = queue.Queue(6 * BATCH)
        self.leads: list[Lead] = []
        self.bands: defaultdict[Key, list[Floats]] = defaultdict(list)
        self.most, self.spoken, self.played = most, spoken, played
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        rng = np.random.default_rng(1)
        while True:
            k = len(self.leads)
            if k < self.most and (k < FIRST or rng.random() < 0.3):
                self.leads.append(spoken_lead(k) if rng.random() < self.spoken else some_lead(k))
                band, key = played_band(k) if rng.random() < self.played else some_band(k)
                self.bands[key].append(band)
                continue
            lead = self.leads[rng.integers(k)]
            near = self.bands.get(lead.key) or [b for some in self.bands.values() for b in some]
            self.ready.put(example(lead, near[rng.integers(len(near))], rng))

    def batch(self, rng: Rng) -> tuple[torch.Tensor, torch.Tensor]:
        x, y = [], []
        for magnitudes, bins in (self.ready.get() for _ in range(BATCH)):
            first = int(rng.integers(0, len(bins) - N_FRAMES + 1))
            x.append(magnitudes[:, first : first + N_FRAMES])
            y.append(_wanted(bins[first : first + N_FRAMES]))
        return (torch.as_tensor(np.stack(part), dtype=torch.float32) for part in (x, y))  # type: ignore[return-value]


def _wanted(bins: Floats) -> Floats:
    """(n_frames, N_PITCHES + 1): a little hill at the pitch, or silence."""
    silent = np.isnan(bins)
    away = np.arange(net.N_PITCHES) - np.where(silent, 0.0, bins)[:, None]
    hill = np.exp(-0.5 * (away / BLUR_BINS) ** 2)
    hill *= ~silent[:, None] / np.maximum(hill.sum(axis=1, keepdims=True), 1e-6)
    return np.concatenate([hill, silent[:, None].astype(float)], axis=1)


class Pupil(nn.Module):
    """The network of `melody_net`, with batch normalization while it learns."""

    def __init__(self) -> None:
        super().__init__()
        widths = (len(net.HARMONICS) + len(net.SIDE_HARMONICS), *(WIDTH for _ in SHAPES))
        self.steps = convolutions(widths, SHAPES)
        self.norms = nn.ModuleList(nn.BatchNorm2d(WIDTH) for _ in SHAPES)
        self.pitch = nn.Conv2d(WIDTH, 1, 1)
        self.silence = nn.Linear(2 * WIDTH, 1)

    def take_up(self, path: Path, x: torch.Tensor) -> None:
        """Go on from weights that were saved: each normalization set to undo itself on `x`."""
        saved = np.load(path)
        with torch.no_grad():
            x = _on_harmonics(x)
            for k, (step, norm) in enumerate(zip(self.steps, self.norms, strict=True)):
                step.weight.copy_(torch.as_tensor(saved[f"weight_{k}"].astype(np.float32)))
                step.bias.copy_(torch.as_tensor(saved[f"bias_{k}"]))
                x = step(x)
                norm.running_var.copy_(x.var((0, 2, 3)))
                norm.running_mean.copy_(x.mean((0, 2, 3)))
                norm.weight.copy_(torch.sqrt(norm.running_var + norm.eps))
                norm.bias.copy_(norm.running_mean)
                x = torch.relu(x)
            for name, last in (("pitch", self.pitch), ("silence", self.silence)):
                last.weight.copy_(
                    torch.as_tensor(saved[f"weight_{name}"]).reshape(last.weight.shape)
                )
                last.bias.fill_(float(saved[f"offset_{name}"]))

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        x = _on_harmonics(x)
        for step, norm in zip(self.steps, self.norms, strict=True):
            x = torch.relu(norm(step(x)))
        pooled = torch.cat([x.mean(3), x.amax(3)], 1).transpose(1, 2)
        return torch.cat([self.pitch(x)[:, 0], self.silence(pooled)], 2)

    def save(self, path: Path) -> None:
        """The weights as `melody_net` reads them, normalization folded in."""
        kept = folded(self.steps, self.norms)
        for name, last in (("pitch", self.pitch), ("silence", self.silence)):
            kept[f"weight_{name}"] = last.weight.detach().reshape(-1).numpy()
            kept[f"offset_{name}"] = last.bias.detach().numpy()[0]
        np.savez_compressed(path, **kept)  # type: ignore[arg-type]


def _on_harmonics(x: torch.Tensor) -> torch.Tensor:
    starts = [(c, k) for c, numbers in enumerate((net.HARMONICS, net.SIDE_HARMONICS))
              for k in net.places(numbers)]  # fmt: skip
    x = nn.functional.pad(x, (0, max(k for _, k in starts) + net.N_PITCHES - net.N_GRID))
    return torch.stack([x[:, c, :, k : k + net.N_PITCHES] for c, k in starts], 1)


def held_out(mixes: Iterable[Practice]) -> list[Example]:
    found = []
    for mix in mixes:
        x = seen(mix.mix, 2 * RATE_HZ)
        found.append((np.log1p(net.GAIN * x), bins_of(x.shape[1], mix.time_s, mix.f0_hz)))
    return found


def right(pupil: Pupil, examples: list[Example]) -> str:
    """The share of sung frames whose likeliest pitch is right, and of the others called sung."""
    pupil.eval()
    shares, wrong = [], []
    with torch.no_grad():
        for x, bins in examples:
            odds = pupil(torch.as_tensor(x[None], dtype=torch.float32))[0].numpy()
            sung = np.isfinite(bins)
            shares.append(np.mean(np.abs(odds[:, :-1].argmax(1) - bins)[sung] < 1.5))
            wrong.append(np.mean(odds.argmax(1)[~sung] < net.N_PITCHES))
    pupil.train()
    return f"{np.mean(shares):.3f} (silence sung {np.mean(wrong):.3f})"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--minutes", type=float, default=45.0)
    parser.add_argument("--songs", type=int, default=900, help="voices and bands made")
    parser.add_argument("--spoken", type=float, default=0.6, help="share of spoken voices")
    parser.add_argument("--played", type=float, default=0.6, help="share of soundfont bands")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--from", type=Path, dest="before", help="weights to go on from")
    parser.add_argument("--fastest", type=float, default=FASTEST, help="the highest rate")
    args = parser.parse_args()
    torch.manual_seed(1)
    pupil, rng = Pupil(), np.random.default_rng(2)
    maker = Maker(args.songs, spoken=args.spoken, played=args.played)
    if args.before:
        seen_first, _ = zip(*(maker.batch(rng) for _ in range(4)), strict=True)
        pupil.take_up(args.before, torch.cat(seen_first))
    learner = torch.optim.AdamW(pupil.parameters(), args.fastest, weight_decay=1e-4)
    examples = held_out(make_practice(k) for k in range(N_HELD_OUT))
    words = held_out(make_words(k) for k in range(N_HELD_OUT))
    began, losses = time.monotonic(), []
    told = began
    print(f"at first: right {right(pupil, examples)}, words {right(pupil, words)}", flush=True)
    while (part := (time.monotonic() - began) / (60 * args.minutes)) < 1:
        rise = min(1.0, (len(losses) + 1) / RISE)
        learner.param_groups[0]["lr"] = SLOWEST + args.fastest * rise * 0.5 * (
            1 + np.cos(np.pi * part)
        )
        x, y = maker.batch(rng)
        loss = -(y * torch.log_softmax(pupil(x), -1)).sum(-1).mean()
        learner.zero_grad()
        loss.backward()  # type: ignore[no-untyped-call]
        nn.utils.clip_grad_norm_(pupil.parameters(), 5.0)
        learner.step()
        losses.append(loss.item())
        if time.monotonic() - told > 120:
            told = time.monotonic()
            print(
                f"{len(losses)} steps, {len(maker.leads)} songs, loss {np.mean(losses[-50:]):.3f}, "
                f"right {right(pupil, examples)}, words {right(pupil, words)}",
                flush=True,
            )
    pupil.eval()
    pupil.save(args.out)
    print(f"{args.out}: right {right(pupil, examples)}, words {right(pupil, words)}")


if __name__ == "__main__":
    main()
