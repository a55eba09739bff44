"""Places in the bars as seconds, and the bars of a note in words."""

from __future__ import annotations

from bisect import bisect_right

from retune.carriers.errors import UsageError
from retune.carriers.heard import Bars, Note

_INSIDE_S = 0.02


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


def beat_length_s(time_s: float, bars: Bars) -> float:
    """How long a beat lasts at a moment, in seconds (half a second where bars are unknown)."""
    downbeats = bars.downbeats_s
    if len(downbeats) < 2:
        return 0.5
    index = min(max(bisect_right(downbeats, time_s) - 1, 0), len(downbeats) - 2)
    return (downbeats[index + 1] - downbeats[index]) / bars.beats_per_bar


def judged_bar(note: Note, bars: Bars) -> int | None:
    """The bar in which the chord sounds that a note is judged by, if that begins in a later bar
    than the note."""
    if note.bar is None or note.chord is None or note.chord.start_s <= note.start_s:
        return note.bar
    return max(note.bar, bisect_right(bars.downbeats_s, note.chord.start_s + _INSIDE_S))


def bars_of(note: Note, bars: Bars) -> str:
    """Where a note is, to begin a sentence with: "Bars 15-16" for one that begins in bar 15 and
    is judged by the chord of bar 16."""
    bar = judged_bar(note, bars)
    if note.bar and bar is not None and bar > note.bar:
        return f"Bars {note.bar}-{bar}"
    return bar_words(bar, note.start_s)


def bar_words(bar: int | None, at_s: float) -> str:
    """ "Bar 8", "The pickup", or "12.5 s" where bars are not known."""
    if bar is None:
        return f"{at_s:.1f} s"
    return f"Bar {bar}" if bar else "The pickup"
