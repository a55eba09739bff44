"""What of a mix's spectrum is the voice's: the two-stem U-Nets of Hennequin et al., in numpy.

Two networks of one shape look at magnitudes of 512 frames by 1024 bins of two channels; one answers
with how loud the voice is there, the other with all else. Six convolutions that halve time and
frequency, six transposed ones that double them again with the halved ones laid beside, a mask
(Hennequin, Khlif, Voituret & Moussallam 2020, JOSS 5(50), 2154; Jansson et al. 2017, ISMIR).
The weights are theirs, under the MIT licence, rounded to 8 bits a channel by
tests/bench/read_voice_nets.py; the licence lies beside the file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from retune.sound.netlayers import Floats

WEIGHTS = Path(__file__).with_name("voice_nets.npz")
N_FRAMES, N_BINS, N_CHANNELS = 512, 1024, 2
DEPTH = 6
SIZE = 5
LEAK = np.float32(0.2)
TINY = np.float32(1e-10)
# Rows of the table that one product takes: what fits the processor's cache.
ROWS = 2048


@dataclass(frozen=True, eq=False)
class Step:
    """A convolution: `weight` (n_time, n_wide, n_in, n_out) and `bias` (n_out,), and what its
    answer, bent (the first half of a net) or cut off below 0 (the second), is scaled by and moved
    by: its batch normalisation, folded."""

    weight: Floats
    bias: Floats
    scale: Floats
    shift: Floats


@dataclass(frozen=True, eq=False)
class Net:
    """The steps down, up, and the mask's convolution."""

    down: tuple[Step, ...]
    up: tuple[Step, ...]
    mask: Step


@cache
def networks() -> tuple[Net, Net]:
    """The network of the voice and that of all else."""
    with np.load(WEIGHTS, allow_pickle=False) as file:
        arrays = {name: file[name] for name in file.files}
    return net_of(arrays, "voice"), net_of(arrays, "rest")


def net_of(arrays: Mapping[str, np.ndarray], name: str) -> Net:
    """A network from arrays NAME_down_0_weight and on; integers times NAME_down_0_step."""

    def step(where: str) -> Step:
        key = f"{name}_{where}"
        weight = arrays[f"{key}_weight"].astype(np.float32)
        if f"{key}_step" in arrays:
            weight *= arrays[f"{key}_step"]
        rest = (arrays[f"{key}_{part}"].astype(np.float32) for part in ("bias", "scale", "shift"))
        return Step(weight, *rest)

    down = tuple(step(f"down_{k}") for k in range(DEPTH))
    return Net(down, tuple(step(f"up_{k}") for k in range(DEPTH)), step("mask"))


def voice_share(magnitudes: Floats) -> Floats:
    """How much of the power of a mix is the voice's, 0 to 1, (n_frames, n_bins, 2), from
    magnitudes of that shape: up to N_FRAMES frames, and N_BINS bins or fewer."""
    n_frames, n_bins, _ = magnitudes.shape
    x = np.zeros((N_FRAMES, N_BINS, N_CHANNELS), np.float32)
    x[:n_frames, :n_bins] = magnitudes
    voice, rest = (np.square(answer(net, x)[:n_frames, :n_bins]) for net in networks())
    return np.asarray((voice + TINY / 2) / (voice + rest + TINY), dtype=np.float32)


def answer(net: Net, x: Floats) -> Floats:
    """How loud a network's own sound is in magnitudes (n_frames, n_bins, 2); numbers of frames
    and bins are multiples of 64."""
    kept = []
    y = x
    for k, step in enumerate(net.down):
        y = halved(y, step.weight) + step.bias
        kept.append(y)
        if k < DEPTH - 1:
            z = y * step.scale + step.shift
            y = np.maximum(z, LEAK * z)
    for k, step in enumerate(net.up):
        y = np.maximum(doubled(y, step.weight) + step.bias, 0) * step.scale + step.shift
        if k < DEPTH - 1:
            y = np.concatenate([kept[DEPTH - 2 - k], y], axis=2)
    logit = spread(y, net.mask.weight) + net.mask.bias
    return np.asarray(x / (1 + np.exp(-np.clip(logit, -60, 60))), dtype=np.float32)


def halved(x: Floats, weight: Floats) -> Floats:
    """`x` (n, m, n_in) under a convolution in steps of two, (n / 2, m / 2, n_out)."""
    n, m, n_in = x.shape
    n_out = weight.shape[3]
    padded = np.pad(x, ((1, 2), (1, 2), (0, 0)))
    flat = weight.reshape(-1, n_out)
    out = np.empty((n // 2, m // 2, n_out), np.float32)
    rows = max(ROWS // (m // 2), 1)
    for first in range(0, n // 2, rows):
        stop = min(first + rows, n // 2)
        taps = [
            padded[2 * first + t : 2 * stop + t - 1 : 2, k : k + m - 1 : 2]
            for t in range(SIZE)
            for k in range(SIZE)
        ]
        table = np.concatenate(taps, axis=2).reshape(-1, SIZE * SIZE * n_in)
        out[first:stop] = (table @ flat).reshape(stop - first, m // 2, n_out)
    return out


def doubled(x: Floats, weight: Floats) -> Floats:
    """`x` (n, m, n_in) under a transposed convolution in steps of two, (2 n, 2 m, n_out)."""
    n, m, n_in = x.shape
    n_out = weight.shape[3]
    flat = np.ascontiguousarray(weight.transpose(2, 0, 1, 3)).reshape(n_in, -1)
    # What each place gives to the places around its double: laid over one another, edges cut.
    out = np.zeros((2 * n + 3, 2 * m + 3, n_out), np.float32)
    rows = max(ROWS // m, 1)
    for first in range(0, n, rows):
        stop = min(first + rows, n)
        given = (x[first:stop].reshape(-1, n_in) @ flat).reshape(stop - first, m, SIZE, SIZE, n_out)
        for t in range(SIZE):
            for k in range(SIZE):
                out[2 * first + t : 2 * stop + t - 1 : 2, k : k + 2 * m - 1 : 2] += given[
                    :, :, t, k
                ]
    return out[1 : 2 * n + 1, 1 : 2 * m + 1]


def spread(x: Floats, weight: Floats) -> Floats:
    """`x` (n, m, n_in) under the mask's convolution, its steps two apart."""
    n, m, _ = x.shape
    padded = np.pad(x, ((3, 3), (3, 3), (0, 0)))
    out = np.zeros((n, m, weight.shape[3]), np.float32)
    for t in range(weight.shape[0]):
        for k in range(weight.shape[1]):
            out += padded[2 * t : 2 * t + n, 2 * k : 2 * k + m] @ weight[t, k]
    return out
