"""Convolutions of small taught networks, in numpy: what is shipped needs no learning library."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

# Rows of the table that one product takes: what fits the processor's cache.
CHUNK = 16


@dataclass(frozen=True, eq=False)
class Layer:
    """A convolution: `weight` (n_out, n_in, n_time, n_wide), `bias` (n_out,); its steps in time
    are `dilation` frames."""

    weight: Floats
    bias: Floats
    dilation: int

    @property
    def reach(self) -> int:
        """Frames that it looks to each side."""
        return self.dilation * int(self.weight.shape[2] // 2)

    def of(self, x: Floats) -> Floats:
        """`x` (n_in, n_frames, n_wide), zeros around it, under the weights."""
        n_in, n_frames, n_wide = x.shape
        n_out, _, n_time, n_near = self.weight.shape
        padded = np.pad(x, ((0, 0), (self.reach,) * 2, (n_near // 2,) * 2))
        weight = self.weight.transpose(0, 2, 3, 1).reshape(n_out, -1)
        out = np.empty((n_out, n_frames, n_wide), np.float32)
        for first in range(0, n_frames, CHUNK):
            rows = min(CHUNK, n_frames - first)
            taps = [
                padded[:, t : t + rows, k : k + n_wide]
                for t in range(first, first + n_time * self.dilation, self.dilation)
                for k in range(n_near)
            ]
            table = np.concatenate(taps).reshape(len(taps) * n_in, rows * n_wide)
            out[:, first : first + rows] = (weight @ table).reshape(n_out, rows, n_wide)
        return out + self.bias[:, None, None]


def read_weights(path: Path) -> tuple[tuple[Layer, ...], dict[str, Floats]]:
    """The layers in a file of arrays, `weight_0`, `bias_0` and on, and whatever else is there.
    Each layer's steps in time are twice those of the one before."""
    with np.load(path, allow_pickle=False) as file:
        arrays = {name: file[name].astype(np.float32) for name in file.files}
    n_layers = sum(name.removeprefix("bias_").isdigit() for name in arrays)
    layers = tuple(
        Layer(arrays.pop(f"weight_{k}"), arrays.pop(f"bias_{k}"), 2**k) for k in range(n_layers)
    )
    return layers, arrays
