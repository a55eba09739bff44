"""The time axis of a picture: bars of equal width, or seconds where no bars are known."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from retune.carriers.barlines import MeterChange
from retune.carriers.errors import UsageError
from retune.carriers.heard import Analysis, FloatArray, StemAnalysis

_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300)
_EDGE = 0.015  # of what is drawn of a phrase alone
_SLACK = 0.02  # of a cell: a note this little before a barline belongs to the bar


@dataclass(frozen=True)
class TimeAxis:
    """Time measured in cells (bars, or steps of some seconds).

    `edges_s` are the times of the cell borders, `numbers[i]` names the cell from `edges_s[i]`;
    `first` and `last` bound what is drawn, in cells from `edges_s[0]` (a pickup lies below 0);
    `reaches_end` says that nothing sounds after `last`.
    """

    edges_s: tuple[float, ...]
    numbers: tuple[str, ...]
    first: float
    last: float
    in_bars: bool
    reaches_end: bool = True
    meters: tuple[MeterChange, ...] = ()
    """Each meter with the bar that it begins with, where there are several."""

    def meter_sign(self, cell: int) -> str:
        """The meter that begins with a cell, "" for none."""
        found = (c.meter for c in self.meters if c.bar == cell + 1)
        return next((f"{top}/{bottom}" for top, bottom in found), "")

    def position(self, time_s: float) -> float:
        """Cells since the first border; beyond the borders the outer cells go on."""
        edges = self.edges_s
        cell = min(max(bisect_right(edges, time_s) - 1, 0), len(edges) - 2)
        if time_s > edges[-1]:
            return len(edges) - 1 + (time_s - edges[-1]) / (edges[-1] - edges[-2])
        return cell + (time_s - edges[cell]) / (edges[cell + 1] - edges[cell])

    def positions(self, time_s: FloatArray) -> FloatArray:
        """`position` of many times at once."""
        edges = np.asarray(self.edges_s)
        cells = np.arange(len(edges), dtype=np.float64)
        time = np.asarray(time_s, dtype=np.float64)
        inside = np.interp(time, edges, cells)
        before = (time - edges[0]) / (edges[1] - edges[0])
        after = cells[-1] + (time - edges[-1]) / (edges[-1] - edges[-2])
        placed: FloatArray = np.where(
            time < edges[0], before, np.where(time > edges[-1], after, inside)
        )
        return placed

    def time_s(self, position: float) -> float:
        """The time at a position; the inverse of `position`."""
        edges = self.edges_s
        cell = min(max(math.floor(position), 0), len(edges) - 2)
        return edges[cell] + (position - cell) * (edges[cell + 1] - edges[cell])

    def systems(self, count: int) -> list[tuple[float, float]]:
        """The axis cut at cell borders into `count` stretches of as many cells as possible."""
        whole = math.ceil(self.last - 1e-9) - math.floor(max(self.first, 0) + 1e-9)
        per = math.ceil(whole / max(count, 1))
        start = math.floor(max(self.first, 0) + 1e-9)
        cuts = [start + k * per for k in range(1, math.ceil(whole / per))]
        marks = [self.first, *map(float, cuts), self.last]
        return list(pairwise(marks))


def time_axis(
    analysis: Analysis,
    stem: StemAnalysis | None,
    *,
    bars: tuple[int, int] | None = None,
    widest_cells: int = 32,
) -> TimeAxis:
    """The axis of a song, or of the bars from `bars[0]` to `bars[1]` (bar 0 is the pickup).

    Without bars the cells are the shortest round step of seconds that gives no more than
    `widest_cells` of them.

    Raises UsageError when `bars` are asked for that the song does not have.
    """
    downbeats = analysis.bars.downbeats_s
    if len(downbeats) < 2:
        if bars is not None:
            raise UsageError(
                f"bars {bars[0]}-{bars[1]} were asked for, but no bars are known; "
                "give meter, tempo and first downbeat, or leave the bars out"
            )
        return _seconds(analysis.duration_s, widest_cells)
    axis = _bars(downbeats, _sounding(analysis, stem), bars, analysis.bars.beats_in(0))
    return replace(axis, meters=analysis.bars.meters) if analysis.bars.changes else axis


def around(axis: TimeAxis, start_s: float, end_s: float) -> TimeAxis:
    """The part of an axis in which a phrase sounds from `start_s` to `end_s`, a little more on
    both sides."""
    first, last = axis.position(start_s), axis.position(end_s)
    edge = _EDGE * (last - first)
    ends = axis.reaches_end and end_s >= axis.time_s(axis.last - _SLACK)
    last = max(axis.last, last) if ends else last + edge
    return replace(axis, first=first - edge, last=last, reaches_end=ends)


def bars_sung(analysis: Analysis) -> int:
    """How many bars there are up to the end of the melody; 0 without bars."""
    if len(analysis.bars.downbeats_s) < 2:
        return 0
    return round(time_axis(analysis, analysis.melody).last)


def _seconds(duration_s: float, widest_cells: int) -> TimeAxis:
    step = next((s for s in _STEPS_S if duration_s / s <= widest_cells), _STEPS_S[-1])
    count = max(math.ceil(duration_s / step), 1)
    edges = tuple(float(k * step) for k in range(count + 1))
    return TimeAxis(edges, tuple(f"{k * step} s" for k in range(count)), 0.0, float(count), False)


def _sounding(analysis: Analysis, stem: StemAnalysis | None) -> tuple[float, float]:
    """From the first to the last note of the stem; the whole song without notes."""
    if stem is None or not stem.notes:
        return 0.0, analysis.duration_s
    return stem.notes[0].start_s, max(note.end_s for note in stem.notes)


def _bars(
    downbeats: Sequence[float],
    sounding: tuple[float, float],
    wanted: tuple[int, int] | None,
    beats: int,
) -> TimeAxis:
    known = len(downbeats) - 1
    axis = TimeAxis(tuple(downbeats), tuple(str(k + 1) for k in range(known)), 0, known, True)
    start, end = (axis.position(time) for time in sounding)
    pickup = -min(math.ceil(-start * beats) / beats, 1.0) if start < -_SLACK else 0.0
    last = float(min(max(math.ceil(end - _SLACK), 1), known))
    if wanted is None:
        return TimeAxis(axis.edges_s, axis.numbers, pickup, last, True)
    first_bar, last_bar = wanted
    if not 0 <= first_bar <= last_bar <= known or last_bar < 1:
        raise UsageError(
            f"bars {first_bar}-{last_bar} were asked for; the song has the bars 1-{known}"
            " (0 for the pickup), the first no later than the last"
        )
    return TimeAxis(
        axis.edges_s,
        axis.numbers,
        float(first_bar - 1) if first_bar else min(pickup, 0.0),
        float(last_bar),
        True,
        reaches_end=last_bar >= last,
    )
