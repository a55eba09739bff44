"""Patches made, cut and joined."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from retune.carriers.changes import Patch
from retune.carriers.heard import Samples


def trimmed(start: int, mixed: Samples, was: Samples) -> Patch | None:
    """A patch from the first sample that differs to the last, or None when none does."""
    differs = np.flatnonzero(mixed.ravel() != was.ravel())
    if not len(differs):
        return None
    n_channels = mixed.shape[1]
    first, last = int(differs[0]) // n_channels, int(differs[-1]) // n_channels + 1
    return Patch(start + first, mixed[first:last])


def without(patches: Sequence[Patch], start: int, stop: int) -> list[Patch]:
    """What is left of patches outside [start, stop)."""
    left = []
    for patch in patches:
        if patch.start < start:
            left.append(Patch(patch.start, patch.samples[: start - patch.start]))
        if patch.stop > stop:
            left.append(Patch(max(patch.start, stop), patch.samples[max(stop - patch.start, 0) :]))
    return [patch for patch in left if len(patch.samples)]
