"""Where bars and beats lie when meter or tempo change: by hand, or from the tempo track of a
Standard MIDI File.

A change of meter keeps the length of note values (an eighth stays an eighth) unless a tempo says
otherwise (common practice, no source). A tempo counts the written beats of the meter it stands in.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from retune.carriers.barlines import Bars, Meter, MeterChange, written_beats
from retune.carriers.errors import InputError
from retune.carriers.songfacts import Music
from retune.song.limits import LEAST_BAR_S, MAX_DOWNBEATS, check_count
from retune.song.midifile import DEFAULT_TEMPO_US, MidiTempos, read_tempos
from retune.song.textfile import read_bytes

WHAT = "a MIDI file with a tempo track"
NOTE_VALUES = (2, 4, 8, 16)
LONGEST_BAR = 16
"""Beats over a note value that a song file may write as a meter."""
_UNIT = 1e-6


@dataclass(frozen=True)
class TempoMap:
    """Meters from bar 1 on, and when each of some places sounds: quarters counted from bar 1
    against seconds, time going evenly between them and, behind the last, by `quarter_s`."""

    meters: tuple[MeterChange, ...]
    quarters: tuple[float, ...]
    seconds: tuple[float, ...]
    quarter_s: float

    def seconds_at(self, quarters: float) -> float:
        """When a place sounds."""
        if quarters >= self.quarters[-1]:
            return self.seconds[-1] + (quarters - self.quarters[-1]) * self.quarter_s
        return float(np.interp(quarters, *self._grid))

    @cached_property
    def _grid(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Quarters and seconds, as they are looked up for each of thousands of beats."""
        return np.array(self.quarters, dtype=float), np.array(self.seconds, dtype=float)

    def bars(self, *, duration_s: float, first_downbeat_s: float | None = None) -> Bars:
        """Bars and every beat of them until the song is covered; `first_downbeat_s` moves the
        whole map so that bar 1 begins there."""
        late_s = 0.0 if first_downbeat_s is None else first_downbeat_s - self.seconds_at(0.0)
        meters = Bars((), self.meters[0].meter, 0.0, changes=self.meters[1:])
        downbeats, beats, at = [late_s + self.seconds_at(0.0)], list[float](), 0.0
        while len(downbeats) < 2 or downbeats[-1] < duration_s - _UNIT:
            check_count(len(downbeats), MAX_DOWNBEATS, "bars", where="the tempo map")
            meter = meters.meter_of(len(downbeats))
            count, length = written_beats(meter), quarters_of(meter)
            beats += [late_s + self.seconds_at(at + length * k / count) for k in range(count)]
            at += length
            downbeats.append(late_s + self.seconds_at(at))
            _check_length(len(downbeats) - 1, downbeats[-1] - downbeats[-2])
        beats.append(downbeats[-1])
        bpm = round(60.0 / (beats[1] - beats[0]), 3)
        known = tuple(c for c in meters.changes if c.bar < len(downbeats))
        return Bars(tuple(downbeats), meters.meter, bpm, changes=known, beats_s=tuple(beats))


def _check_length(bar: int, length_s: float) -> None:
    if length_s < LEAST_BAR_S - _UNIT:
        raise InputError(
            f"the tempo map: bar {bar} lasts {length_s:.2g} s, less than {LEAST_BAR_S:g} s; is "
            "its tempo right?"
        )


def quarters_of(meter: Meter) -> float:
    """How many quarters a bar lasts."""
    return 4.0 * meter[0] / meter[1]


def meters_of(music: Music) -> tuple[MeterChange, ...]:
    """The meters of a song as they are given, that of bar 1 first."""
    if music.tempo_map is not None:
        return read_tempo_map(music.tempo_map).meters
    changes = (MeterChange(int(at.partition(":")[0]), _meter(text)) for at, text in music.meters)
    return (MeterChange(1, music.meter), *changes)


def written_bars(music: Music) -> Bars:
    """Bars without times: their meters alone."""
    first, *changes = meters_of(music)
    return Bars((), first.meter, 0.0, changes=tuple(changes))


def tempo_map_by_hand(music: Music) -> TempoMap:
    """The map of `meters`, `tempo_bpm` and `tempos`."""
    bars, steps = written_bars(music), [("1:1", music.tempo_bpm or 120.0), *music.tempos]
    quarters, lengths = [], []
    for place, bpm in steps:
        bar, _, beat = place.partition(":")
        of_beat = quarters_of(bars.meter_of(int(bar))) / bars.beats_in(int(bar))
        quarters.append(_quarters_before(bars, int(bar)) + (float(beat) - 1) * of_beat)
        lengths.append(60.0 / bpm / of_beat)
    seconds = [music.first_downbeat_s or 0.0]
    for (before, after), quarter_s in zip(pairwise(quarters), lengths, strict=False):
        seconds.append(seconds[-1] + (after - before) * quarter_s)
    return TempoMap(bars.meters, tuple(quarters), tuple(seconds), lengths[-1])


def _quarters_before(bars: Bars, bar: int) -> float:
    """Quarters from bar 1 to a bar."""
    spans = pairwise([*bars.meters, MeterChange(max(bar, bars.meters[-1].bar), bars.meter)])
    return sum(
        quarters_of(here.meter) * max(min(after.bar, bar) - here.bar, 0) for here, after in spans
    )


def _meter(text: str) -> Meter:
    top, _, bottom = text.partition("/")
    return int(top), int(bottom)


# --- from a MIDI file ------------------------------------------------------------------------


def read_tempo_map(path: Path) -> TempoMap:
    """The meters and tempi of a Standard MIDI File, on its own clock.

    A first bar that is shorter than those after it, and alone, is the pickup (bar 0). Where the
    file says no meter there are four quarters, where it says no tempo 120 a minute, as the
    specification has it; one of the two it must say.

    Raises
    ------
    InputError
        No MIDI file, none of meter and tempo in it, or a meter that has no name here; names the
        file.
    """
    try:
        return _map_of(read_bytes(path, what=WHAT))
    except InputError as error:
        said = str(error)
        raise InputError(said if path.name in said else f"{path.name}: {said}") from error


@lru_cache(maxsize=4)
def _map_of(data: bytes) -> TempoMap:
    """What a file says, worked out once: it is checked, and asked for bars and for meters."""
    return _mapped(read_tempos(data))


def _mapped(found: MidiTempos) -> TempoMap:
    if not found.meters and not found.tempos:
        raise InputError(
            "it says neither tempo nor meter; export it with its tempo track, or give tempo_bpm "
            "and meter"
        )
    bars = _bars_of_file(found)
    pickup = len(bars) > 1 and bars[1].bar == 2 and _is_shorter(bars[0].meter, bars[1].meter)
    at = quarters_of(bars[0].meter) if pickup else 0.0
    meters = [MeterChange(c.bar - pickup, c.meter) for c in bars[pickup:]]
    quarters, seconds, tempo_us = [0.0], [0.0], DEFAULT_TEMPO_US
    for tick, value in found.tempos:
        here = tick / found.per_quarter
        if here > quarters[-1]:
            seconds.append(seconds[-1] + (here - quarters[-1]) * tempo_us / 1e6)
            quarters.append(here)
        tempo_us = value
    return TempoMap(tuple(meters), tuple(q - at for q in quarters), tuple(seconds), tempo_us / 1e6)


def _is_shorter(first: Meter, second: Meter) -> bool:
    return quarters_of(first) < quarters_of(second)


def _bars_of_file(found: MidiTempos) -> list[MeterChange]:
    """The meters with the bars that they begin with, those of the file counted from 1; a bar that
    a change cuts short has a meter of its own."""
    signs = [s for s in found.meters if s[0] > 0]
    first = next((meter for tick, meter in found.meters[::-1] if tick == 0), (4, 4))
    changes, at, bar = [MeterChange(1, _named(first, 1))], 0, 1
    for tick, sign in signs:
        meter = changes[-1].meter
        length = quarters_of(meter) * found.per_quarter
        whole, rest = divmod(tick - at, length)
        bar, at = bar + int(whole), tick
        if rest > _UNIT:
            top = rest * meter[1] / 4 / found.per_quarter
            _add(changes, MeterChange(bar, _cut(top, meter, bar)))
            bar += 1
        _add(changes, MeterChange(bar, _named(sign, bar)))
    return changes


def _add(changes: list[MeterChange], change: MeterChange) -> None:
    """Put a meter behind the others, in place of one that no bar has."""
    if changes[-1].bar == change.bar:
        changes.pop()
    if not changes or changes[-1].meter != change.meter:
        changes.append(change)


def _cut(top: float, meter: Meter, bar: int) -> Meter:
    if abs(top - round(top)) > _UNIT:
        raise InputError(
            f"the meter changes inside bar {bar}, off every 1/{meter[1]} note; move the change to "
            "a barline and export the file again"
        )
    return round(top), meter[1]


def _named(meter: Meter, bar: int) -> Meter:
    if not 1 <= meter[0] <= LONGEST_BAR or meter[1] not in NOTE_VALUES:
        raise InputError(
            f"bar {bar} has the meter {meter[0]}/{meter[1]}; a meter here is 1 to {LONGEST_BAR} "
            f"over {', '.join(map(str, NOTE_VALUES[:-1]))} or {NOTE_VALUES[-1]}"
        )
    return meter
