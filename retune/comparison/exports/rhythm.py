"""Rhythm for notation: sung times put on the grid of the bars. It never goes back into the audio.

Positions are whole units of the grid from the first downbeat (a pickup lies below 0). Rests
shorter than half a beat inside a phrase are breath and consonants, and are closed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from retune.carriers.errors import UsageError
from retune.carriers.heard import Bars
from retune.comparison.exports.material import VersionNote

RESOLUTIONS = (8, 16, 32)


@dataclass(frozen=True)
class Grid:
    """The bars as units: `per_whole` units make a whole note."""

    bars: Bars
    per_whole: int

    @property
    def per_bar(self) -> int:
        return self.per_whole * self.bars.meter[0] // self.bars.meter[1]

    @property
    def per_beat(self) -> int:
        return self.per_bar // self.bars.beats_per_bar

    def unit(self, time_s: float) -> int:
        """The nearest unit; bars beyond the known ones go on at the outer bars' length."""
        return round(self.exact(time_s))

    def exact(self, time_s: float) -> float:
        edges = self.bars.downbeats_s
        if time_s < edges[0]:
            bar = (time_s - edges[0]) / (edges[1] - edges[0])
        elif time_s > edges[-1]:
            bar = len(edges) - 1 + (time_s - edges[-1]) / (edges[-1] - edges[-2])
        else:
            bar = float(np.interp(time_s, edges, np.arange(len(edges))))
        return bar * self.per_bar


@dataclass(frozen=True)
class Written:
    """A note on the grid, from `start` to before `end`, in units."""

    start: int
    end: int
    played: VersionNote


def grid_of(bars: Bars, *, resolution: int = 16) -> Grid:
    """The grid of a song: `resolution` 16 puts every note on a sixteenth.

    Raises
    ------
    UsageError
        No such resolution, or no bars are known.
    """
    if resolution not in RESOLUTIONS:
        allowed = ", ".join(map(str, RESOLUTIONS))
        raise UsageError(f"the resolution is {resolution}; give one of {allowed} to a whole note")
    if len(bars.downbeats_s) < 2:
        raise UsageError(
            "notation needs bars and none are known: give meter, tempo_bpm and first_downbeat_s"
        )
    return Grid(bars, max(resolution, bars.meter[1], 2 * bars.meter[1] if _compound(bars) else 0))


def _compound(bars: Bars) -> bool:
    return bars.beats_per_bar != bars.meter[0]


def written_notes(notes: Sequence[VersionNote], grid: Grid) -> tuple[Written, ...]:
    """Notes on the grid: in order, none shorter than a unit, none over the next."""
    starts: list[int] = []
    for played in notes:
        start = grid.unit(played.note.start_s)
        starts.append(max(start, starts[-1] + 1) if starts else start)
    written = []
    for k, (start, played) in enumerate(zip(starts, notes, strict=True)):
        end = max(grid.unit(played.note.end_s), start + 1)
        if k + 1 < len(notes):
            end = _closed(end, starts[k + 1], played, notes[k + 1], grid)
        written.append(Written(start, end, played))
    return tuple(written)


def _closed(end: int, following: int, played: VersionNote, after: VersionNote, grid: Grid) -> int:
    """The end of a note drawn up to the next where only a breath or consonant lies between."""
    same_phrase = played.note.phrase == after.note.phrase
    if same_phrase and following - end < grid.per_beat / 2:
        return following
    return min(end, following)


def first_unit(parts: Sequence[Sequence[Written]], grid: Grid) -> int:
    """Where the notation begins: 0, or the beat on which the earliest pickup begins."""
    earliest = min((part[0].start for part in parts if part), default=0)
    return min(math.floor(earliest / grid.per_beat) * grid.per_beat, 0)


def last_unit(parts: Sequence[Sequence[Written]], grid: Grid) -> int:
    """The barline that closes the notation."""
    latest = max((part[-1].end for part in parts if part), default=0)
    return max(math.ceil(latest / grid.per_bar), 1) * grid.per_bar


def pieces(start: int, end: int, grid: Grid) -> list[tuple[int, int]]:
    """A span cut into lengths that one notehead or rest can have: at barlines, at the next beat
    where it begins off one, then as long as plain and dotted values go."""
    cut = []
    while start < end:
        bar_end = (start // grid.per_bar + 1) * grid.per_bar
        beat_end = (start // grid.per_beat + 1) * grid.per_beat
        stop = min(end, bar_end)
        if start % grid.per_beat and stop > beat_end:
            stop = beat_end
        length = max(v for v in note_values(grid) if v <= stop - start)
        cut.append((start, start + length))
        start += length
    return cut


def note_values(grid: Grid) -> dict[int, tuple[str, int]]:
    """Units of every plain and dotted value, with its name and number of dots."""
    names = ("whole", "half", "quarter", "eighth", "16th", "32nd", "64th")
    values: dict[int, tuple[str, int]] = {}
    for k, name in enumerate(names):
        if grid.per_whole % 2**k == 0:
            plain = grid.per_whole // 2**k
            values[plain] = (name, 0)
            if plain % 2 == 0:
                values[plain * 3 // 2] = (name, 1)
    return values
