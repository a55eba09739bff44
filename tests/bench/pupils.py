"""What the teachers of our small networks share; needs `torch`."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import torch
from torch import nn


def convolutions(widths: Sequence[int], shapes: Sequence[tuple[int, int]]) -> nn.ModuleList:
    """One for each shape (frames, bins), its steps in time twice those of the one before, as
    `retune.sound.netlayers` reads them."""
    return nn.ModuleList(
        nn.Conv2d(a, b, shape, padding=(2**k * (shape[0] // 2), shape[1] // 2), dilation=(2**k, 1))
        for k, (a, b, shape) in enumerate(zip(widths, widths[1:], shapes, strict=False))
    )


def folded(steps: nn.ModuleList, norms: nn.ModuleList) -> dict[str, np.ndarray]:
    """Weights and biases by name, each batch normalization folded into the layer before it."""
    kept: dict[str, np.ndarray] = {}
    with torch.no_grad():
        for k, (step, norm) in enumerate(zip(steps, norms, strict=True)):
            gain = norm.weight / torch.sqrt(norm.running_var + norm.eps)
            weight = step.weight * gain[:, None, None, None]
            kept[f"weight_{k}"] = weight.numpy().astype(np.float16)
            kept[f"bias_{k}"] = ((step.bias - norm.running_mean) * gain + norm.bias).numpy()
    return kept
