"""Long songs cut into stretches of bars that fit a slide or a handout."""

from __future__ import annotations

import math

from retune.carriers.changes import Plan
from retune.carriers.heard import Analysis

MOST_BARS = 25
"""Bars that a slide holds with text big enough for a class; one more than six phrases of four."""


def stretches(analysis: Analysis, *, most: int = MOST_BARS) -> tuple[tuple[int, int] | None, ...]:
    """First and last bar of each stretch; (None,) for a song that fits whole into `most` bars, or
    has no bars.

    A stretch ends where a phrase begins, if one begins in its second half.
    """
    total = len(analysis.bars.downbeats_s) - 1
    if total <= most:
        return (None,)
    starts = _phrase_bars(analysis)
    length = math.ceil(total / math.ceil(total / (most - 1)))
    cut: list[tuple[int, int] | None] = []
    first = 0
    while first <= total:
        beyond = max(first, 1) + length
        if beyond > total:
            beyond = total + 1
        else:
            early = [bar for bar in starts if max(first, 1) + length // 2 <= bar <= beyond]
            beyond = early[-1] if early else beyond
        cut.append((first, beyond - 1))
        first = beyond
    return tuple(cut)


def _phrase_bars(analysis: Analysis) -> list[int]:
    """The bars whose downbeat is the first of a phrase, pickups left aside."""
    melody = analysis.melody
    bars = []
    for phrase in melody.phrases if melody else ():
        bar = next(
            (
                k + 1
                for k, downbeat_s in enumerate(analysis.bars.downbeats_s)
                if downbeat_s >= phrase.start_s - 0.05
            ),
            None,
        )
        if bar is not None:
            bars.append(bar)
    return sorted(bars)


def busiest(analysis: Analysis, plan: Plan | None) -> tuple[int, int] | None:
    """The stretch in which a plan moves most; the first without a plan."""
    cut = stretches(analysis)
    edits = plan.edits if plan is not None else ()

    def moved(bars: tuple[int, int] | None) -> int:
        if bars is None:
            return 0
        return sum(e.bar is not None and bars[0] <= e.bar <= bars[1] for e in edits)

    return max(cut, key=moved)
