"""Two renditions of one stem as one: where their changes meet, they add up."""

from __future__ import annotations

import numpy as np

from retune.carriers.changes import Patch, StemRendition
from retune.carriers.heard import AudioLike


def together(audio: AudioLike, first: StemRendition, second: StemRendition) -> StemRendition:
    """Both sets of changes of the same stem; the engine's name is that of `first`."""
    patches: list[Patch] = []
    for patch in sorted((*first.patches, *second.patches), key=lambda p: p.start):
        if not patches or patch.start >= patches[-1].stop:
            patches.append(patch)
            continue
        before = patches.pop()
        start, stop = before.start, max(before.stop, patch.stop)
        was = np.asarray(audio.read(start, stop), dtype=np.float64)
        now = was.copy()
        for part in (before, patch):
            here = slice(part.start - start, part.stop - start)
            now[here] += part.samples - was[here]
        patches.append(Patch(start, now.astype(np.float32)))
    reason = f"{first.reason}; {second.reason} ({second.engine})"
    warnings = (*first.warnings, *second.warnings)
    verdicts = (*first.verdicts, *second.verdicts)
    return StemRendition(first.stem, first.engine, reason, tuple(patches), warnings, verdicts)
