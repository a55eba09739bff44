"""Bars and the beats in them: one meter or several, as they travel between the rooms.

Bars are counted from 1; bar 0 is the pickup, beats before the first downbeat are below 0.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

from retune.carriers.text import tempo_text

Meter = tuple[int, int]
"""Beats over a note value: (3, 4) is 3/4."""
_SAME_TEMPO = 0.005
"""Tempi that differ by no more than this are one: a tenth of a beat a minute at 20."""


def written_beats(meter: Meter) -> int:
    """Written beats of a bar: dotted quarters in 6/8, 9/8, 12/8."""
    top, bottom = meter
    return top // 3 if bottom == 8 and top in (6, 9, 12) else top


@dataclass(frozen=True)
class BarRival:
    """Another way to hear the bars: what it is beside the likeliest ("twice as fast"), and how
    likely (0 to 1)."""

    name: str
    meter: Meter
    tempo_bpm: float
    downbeats_s: tuple[float, ...]
    confidence: float


@dataclass(frozen=True)
class MeterChange:
    """A meter that begins with a bar."""

    bar: int
    meter: Meter


@dataclass(frozen=True)
class Tempo:
    """How fast it goes from a beat of a bar on, in the written beats of the meter there."""

    bar: int
    beat: float
    tempo_bpm: float


@dataclass(frozen=True)
class Bars:
    """`downbeats_s[i]` starts bar i + 1 (the last entry closes the last bar); `meter` (3, 4)
    is 3/4, from bar 1 on, `changes` the meters that follow it. `beats_s` holds the time of every
    written beat (a dotted quarter in 6/8, 9/8, 12/8), that which closes the last bar too; () where
    the beats of a bar are even. `tempo_bpm` is the tempo at first, or in the middle of a free one.

    Where `source` is "estimated", `confidence` (0 to 1) says how sure tempo, meter and downbeats
    are together, and `rivals` what else they may be, the likeliest first.
    """

    downbeats_s: tuple[float, ...]
    meter: Meter
    tempo_bpm: float
    source: str = "given"
    confidence: float = 1.0
    rivals: tuple[BarRival, ...] = ()
    changes: tuple[MeterChange, ...] = ()
    beats_s: tuple[float, ...] = ()

    @cached_property
    def meters(self) -> tuple[MeterChange, ...]:
        """Every meter with the bar that it begins with, that of bar 1 first."""
        return (MeterChange(1, self.meter), *self.changes)

    def meter_of(self, bar: int) -> Meter:
        """The meter of a bar; that of bar 1 before it, the last one after the end."""
        reached = bisect_right(self.changes, bar, key=lambda change: change.bar)
        return self.meters[reached].meter

    def beats_in(self, bar: int) -> int:
        """How many written beats a bar has."""
        return written_beats(self.meter_of(bar))

    @cached_property
    def first_beats(self) -> tuple[int, ...]:
        """The number of the beat on each of `downbeats_s`, counted from 0."""
        firsts = [0]
        for bar in range(1, len(self.downbeats_s)):
            firsts.append(firsts[-1] + self.beats_in(bar))
        return tuple(firsts)

    def bar_of(self, beat: float) -> int:
        """The bar in which a beat lies that is counted from the first downbeat."""
        return bar_at(beat, self.first_beats, self.beats_in)

    def first_beat(self, bar: int) -> int:
        """The beat, counted from the first downbeat, on which a bar begins; bars before the first
        and after the last known one too."""
        return start_of(bar, self.first_beats, self.beats_in)

    @cached_property
    def ruler(self) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Times in seconds and the beats that lie there; time goes evenly between them."""
        if self.beats_s:
            return self.beats_s, tuple(map(float, range(len(self.beats_s))))
        return self.downbeats_s, tuple(map(float, self.first_beats))

    @cached_property
    def tempi(self) -> tuple[Tempo, ...]:
        """Every tempo that the beats go at, where they are told one by one; else one for all."""
        found: list[Tempo] = []
        for beat, (start_s, end_s) in enumerate(pairwise(self.beats_s)):
            bar, bpm = self.bar_of(beat), 60.0 / (end_s - start_s)
            if not found or abs(bpm / found[-1].tempo_bpm - 1) > _SAME_TEMPO:
                found.append(Tempo(bar, 1.0 + beat - self.first_beat(bar), round(bpm, 3)))
        return tuple(found) or (Tempo(1, 1.0, self.tempo_bpm),)


def bar_at(place: float, starts: Sequence[int], length_of: Callable[[int], int]) -> int:
    """The bar in which a place lies, counted in whatever unit from bar 1 on. `starts` are those of
    the known bars and of the one after; before and behind them bars go on as the outer ones, by
    the length that is told of each."""
    if place < 0:
        return int(place // length_of(1)) + 1
    if place < starts[-1]:
        return bisect_right(starts, place)
    return len(starts) + int((place - starts[-1]) // length_of(len(starts)))


def start_of(bar: int, starts: Sequence[int], length_of: Callable[[int], int]) -> int:
    """Where a bar begins; see `bar_at`."""
    if bar < 1:
        return (bar - 1) * length_of(1)
    if bar <= len(starts):
        return starts[bar - 1]
    return starts[-1] + (bar - len(starts)) * length_of(len(starts))


MOST_TOLD = 4
"""So many meters or tempi are told one by one."""


def meter_words(bars: Bars) -> str:
    """The meters in words.

    >>> meter_words(Bars((), (3, 4), 92.0, changes=(MeterChange(17, (4, 4)),)))
    '3/4, from bar 17 4/4'
    """
    names = [f"{top}/{bottom}" for top, bottom in (c.meter for c in bars.meters)]
    if len(names) > MOST_TOLD:
        return f"{names[0]}, then {len(names) - 1} changes among {', '.join(sorted(set(names)))}"
    later = zip(bars.changes, names[1:], strict=True)
    return ", ".join([names[0], *(f"from bar {change.bar} {name}" for change, name in later)])


def tempo_words(bars: Bars, unit: str = "beats a minute") -> str:
    """The tempi in words.

    >>> tempo_words(Bars((0.0, 2.0, 3.0), (2, 4), 60.0, beats_s=(0.0, 1.0, 2.0, 2.5, 3.0)))
    '60 beats a minute, from bar 2 120'
    """
    tempi = bars.tempi
    if len(tempi) > MOST_TOLD:
        low, high = (tempo_text(pick(t.tempo_bpm for t in tempi)) for pick in (min, max))
        return f"{low} to {high} {unit}"
    later = (f"from bar {t.bar} {tempo_text(t.tempo_bpm)}" for t in tempi[1:])
    return ", ".join([f"{tempo_text(tempi[0].tempo_bpm)} {unit}", *later])
