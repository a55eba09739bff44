"""Places in the bars as seconds."""

from __future__ import annotations

from retune.carriers.errors import UsageError
from retune.carriers.heard import Bars


def bar_time(bars: Bars, bar: int, beat: float = 1.0) -> float:
    """Seconds of a beat (from 1) in a bar (0 is the pickup).

    The bar after the last may be named at its first beat: the end of the song.

    Raises
    ------
    UsageError
        No such bar or beat.
    """
    last = len(bars.downbeats_s) - 1
    if not 0 <= bar <= last + 1 or not 1 <= beat < bars.beats_per_bar + 1:
        raise UsageError(
            f"{bar}:{beat:g} is not in the song: bars 0 to {last}, beats 1 to {bars.beats_per_bar}"
        )
    downbeats = bars.downbeats_s
    index = min(max(bar - 1, 0), last - 1)
    length_s = downbeats[index + 1] - downbeats[index]
    return downbeats[index] + ((bar - 1 - index) + (beat - 1) / bars.beats_per_bar) * length_s
