"""Rhythm for notation: sung times put on the grid of the bars. It never goes back into the audio.

Positions are whole units of the grid from the first downbeat (a pickup lies below 0). Rests
shorter than half a beat inside a phrase are breath and consonants, and are closed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import accumulate

from retune.carriers.barlines import Bars, Meter, bar_at, start_of, written_beats
from retune.carriers.errors import UsageError
from retune.comparison.exports.material import VersionNote
from retune.song.bartime import beats_at

RESOLUTIONS = (8, 16, 32)


@dataclass(frozen=True)
class Grid:
    """The bars as units: `per_whole` units make a whole note."""

    bars: Bars
    per_whole: int

    def bar_units(self, bar: int) -> int:
        """How many units a bar has."""
        top, bottom = self.bars.meter_of(bar)
        return self.per_whole * top // bottom

    def beat_units(self, bar: int) -> int:
        """How many units a beat of a bar has."""
        return self.bar_units(bar) // self.bars.beats_in(bar)

    @cached_property
    def _starts(self) -> list[int]:
        """The first unit of each known bar, and of the one after."""
        lengths = (self.bar_units(bar) for bar in range(1, len(self.bars.downbeats_s)))
        return [0, *accumulate(lengths)]

    def start(self, bar: int) -> int:
        """The first unit of a bar, of one before bar 1 or after the last known one too."""
        return start_of(bar, self._starts, self.bar_units)

    def bar_at(self, unit: int) -> int:
        """The bar in which a unit lies."""
        return bar_at(unit, self._starts, self.bar_units)

    def beat_at(self, unit: int) -> int:
        """The first unit of the beat in which a unit lies."""
        bar = self.bar_at(unit)
        start, beat = self.start(bar), self.beat_units(bar)
        return start + (unit - start) // beat * beat

    def unit(self, time_s: float) -> int:
        """The nearest unit; bars beyond the known ones go on at the outer beats' length."""
        return round(self.exact(time_s))

    def exact(self, time_s: float) -> float:
        """`unit` before it is rounded."""
        beat = float(beats_at(time_s, self.bars))
        bar = self.bars.bar_of(beat)
        return self.start(bar) + (beat - self.bars.first_beat(bar)) * self.beat_units(bar)


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
    return Grid(bars, max(resolution, *(_finest(change.meter) for change in bars.meters)))


def _finest(meter: Meter) -> int:
    """The parts of a whole note that a meter needs: dotted beats need halves of its note value."""
    return meter[1] if written_beats(meter) == meter[0] else 2 * meter[1]


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
    if same_phrase and following - end < grid.beat_units(grid.bar_at(end)) / 2:
        return following
    return min(end, following)


def first_unit(parts: Sequence[Sequence[Written]], grid: Grid) -> int:
    """Where the notation begins: 0, or the beat on which the earliest pickup begins."""
    earliest = min((part[0].start for part in parts if part), default=0)
    return min(grid.beat_at(earliest), 0)


def last_unit(parts: Sequence[Sequence[Written]], grid: Grid) -> int:
    """The barline that closes the notation."""
    latest = max((part[-1].end for part in parts if part), default=0)
    bar = max(grid.bar_at(latest - 1), 1)
    return grid.start(bar + 1)


def pieces(start: int, end: int, grid: Grid) -> list[tuple[int, int]]:
    """A span cut into lengths that one notehead or rest can have: at barlines, at the next beat
    where it begins off one, then as long as plain and dotted values go."""
    cut = []
    while start < end:
        bar = grid.bar_at(start)
        beat = grid.beat_at(start)
        stop = min(end, grid.start(bar + 1))
        if start != beat:
            stop = min(stop, beat + grid.beat_units(bar))
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
