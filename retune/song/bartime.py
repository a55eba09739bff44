"""Places in the bars as seconds, and the bars of a note in words."""

from __future__ import annotations

from bisect import bisect_right

import numpy as np

from retune.carriers.errors import UsageError
from retune.carriers.heard import Bars, FloatArray, Note

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
    if not 0 <= bar <= last + 1 or not 1 <= beat < bars.beats_in(bar) + 1:
        of_bar = f" in bar {bar}" if bars.changes and bar <= last + 1 else ""
        raise UsageError(
            f"{bar}:{beat:g} is not in the song: bars 0 to {last}, beats 1 to "
            f"{bars.beats_in(bar)}{of_bar}"
        )
    return seconds_at(bars.first_beat(bar) + beat - 1, bars)


def beats_at(time_s: float | FloatArray, bars: Bars) -> FloatArray:
    """Written beats since the first downbeat (negative in the pickup), for times in seconds;
    outside the bars they go on as the first and the last one."""
    times, beats = map(np.asarray, bars.ruler)
    return _read_off(np.asarray(time_s, dtype=np.float64), times, beats)


def seconds_at(beat: float, bars: Bars) -> float:
    """Time of a beat counted from the first downbeat; the inverse of `beats_at`."""
    times, beats = map(np.asarray, bars.ruler)
    return float(_read_off(np.asarray(beat, dtype=np.float64), beats, times))


def _read_off(at: FloatArray, known: FloatArray, told: FloatArray) -> FloatArray:
    """Straight lines through `known` and `told`, the outer ones continued."""
    first = np.diff(told[:2]) / np.diff(known[:2])
    last = np.diff(told[-2:]) / np.diff(known[-2:])
    before, after = told[0] + (at - known[0]) * first[0], told[-1] + (at - known[-1]) * last[0]
    inside = np.interp(at, known, told)
    read: FloatArray = np.where(at < known[0], before, np.where(at > known[-1], after, inside))
    return read


def beat_length_s(time_s: float, bars: Bars) -> float:
    """How long a beat lasts at a moment, in seconds (half a second where bars are unknown)."""
    if len(bars.downbeats_s) < 2:
        return 0.5
    times, beats = bars.ruler
    index = min(max(bisect_right(times, time_s) - 1, 0), len(times) - 2)
    return (times[index + 1] - times[index]) / (beats[index + 1] - beats[index])


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
