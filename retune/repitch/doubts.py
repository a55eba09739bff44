"""What is said of a sound before it is moved: that it has no pitch, or will not move cleanly.

A note moved in a room or in noise may become rough, since its periods are not found where they
are. Two figures tell: how far the epoch marks stray from a smooth course, and how alike a period
is to the next. Their limits part the notes of real voices, dry and in a room, on which a change is
measured that would be noticed (tests/bench/bench_real_voices.py).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from retune.carriers.changes import Edit
from retune.repitch.epochs import filled, strays
from retune.repitch.pitch import repetition, runs_of
from retune.repitch.seam import FRAME_S, Passage

MIN_VOICED = 0.2
MIN_REPETITION = 0.5
ROUGH_REPETITION = 0.87
ROUGH_STRAY = 0.008
EDGE_S = 0.04


def doubts(edits: Sequence[Edit], passage: Passage, *, first_s: float) -> tuple[str, ...]:
    """What is said of edits in a passage that begins at `first_s`, each with its time and, where
    it is known, its name."""
    found = []
    for edit in edits:
        a = max(int((edit.start_s - first_s) / FRAME_S), 0)
        b = max(int((edit.end_s - first_s) / FRAME_S), a + 1)
        text = _doubt(edit, passage, range(a, b))
        if text:
            name = f" ({edit.from_name})" if edit.from_name else ""
            found.append(f"{edit.start_s:.2f} s to {edit.end_s:.2f} s{name}: {text}")
    return tuple(found)


def _doubt(edit: Edit, passage: Passage, frames: range) -> str:
    voiced = float(np.mean(np.isfinite(passage.f0_hz[frames.start : frames.stop])))
    if voiced == 0 or (edit.note is not None and voiced < MIN_VOICED):
        return (
            f"only {voiced:.0%} of it has a pitch, the rest stays as it is; "
            "correct the note or move a longer span"
        )
    alike = repetition(passage, frames)
    if alike < MIN_REPETITION:
        return (
            "this does not sound like one dry voice (several at once, or reverb), "
            "so the move may be rough; --engine stretch moves any sound"
        )
    if edit.note is None:
        return ""
    stray = unsteadiness(passage, frames)
    if alike < ROUGH_REPETITION or stray > ROUGH_STRAY:
        return (
            f"its periods are not clear (off by {stray:.1%} of their length, alike to {alike:.2f}: "
            "a room, noise or a rough voice), so the moved note may sound rough; listen to it"
        )
    return ""


def unsteadiness(passage: Passage, frames: range) -> float:
    """How far the epoch marks in some frames usually stray from a smooth course, as a share of a
    period; 0 where there are none."""
    rate_hz = passage.rate_hz
    low, high = ((i * FRAME_S) * rate_hz for i in (frames.start, frames.stop))
    edge = min(EDGE_S * rate_hz, 0.2 * (high - low))
    found = [np.zeros(0)]
    for run in runs_of(passage):
        if run.stop <= low or run.start >= high:
            continue
        marks = filled(run.marks, run.start, run.stop)
        if len(marks) > 2:
            usual = strays(marks, rate_hz=rate_hz)[1]
            found.append(usual[(marks > low + edge) & (marks < high - edge)])
    inside = np.concatenate(found)
    return float(np.median(inside)) if len(inside) else 0.0
