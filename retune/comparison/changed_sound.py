"""What of a version does not sound as the original: each span a file of its own, so that a page
carries, and codes, what all versions share only once.

Around a changed span lies sound that is the same in both. A page begins with the original, blends
the span in before the change and out after it, and is back at the original's very samples.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from retune.carriers.heard import Samples

SETTLE_S = 0.1
"""How long a codec may take to settle at the begin and end of a file: not heard."""
BLEND_S = 0.05
CLEAR_S = 0.05
"""Left between blend and change; a resampling filter reaches less far."""
MOST = 0.7
"""Beyond this part of the whole, one file is simpler."""


@dataclass(frozen=True)
class ChangedSpan:
    """One span of a version, coded by itself.

    `at` is where it begins, in samples of the page's sound. `rise` and `fall` are the samples of
    the span between which a page blends it in, and out: from equal sound into equal sound.
    """

    at: int
    rise: tuple[int, int]
    fall: tuple[int, int]
    audio_bytes: bytes


def changed_spans(
    cut: Samples,
    changed: Iterable[tuple[int, int]],
    *,
    rate_hz: int,
    stored_hz: int,
    code: Callable[[Samples], bytes],
) -> tuple[ChangedSpan, ...] | None:
    """What `code` makes of the spans of `cut` in which `changed` samples lie.

    A span begins on a sample of both rates, that of `cut` and that at which `code` stores it.
    None when the spans come to most of the whole.
    """
    shared = math.gcd(rate_hz, stored_hz)
    step, per_step = rate_hz // shared, stored_hz // shared
    margin = round((SETTLE_S + BLEND_S + CLEAR_S) * rate_hz)
    joined = merged_spans(
        (max(first - margin, 0) // step * step, min(last + margin, len(cut)))
        for first, last in changed
        if last > 0 and first < len(cut)
    )
    if sum(stop - start for start, stop in joined) > MOST * len(cut):
        return None
    settle, blend = round(SETTLE_S * stored_hz), round(BLEND_S * stored_hz)
    spans = []
    for start, stop in joined:
        n = (stop - start) * per_step // step
        spans.append(
            ChangedSpan(
                at=start // step * per_step,
                rise=(settle, settle + blend) if start else (0, 0),
                fall=(n - settle - blend, n - settle) if stop < len(cut) else (n, n),
                audio_bytes=code(cut[start:stop]),
            )
        )
    return tuple(spans)


def merged_spans(spans: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """Spans of samples in order, those that touch joined."""
    merged: list[tuple[int, int]] = []
    for start, stop in sorted(spans):
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(stop, merged[-1][1]))
        else:
            merged.append((start, stop))
    return merged
