"""Bars and beats: from what was given, or estimated from what is heard."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from retune.carriers.barlines import Bars, Meter, MeterChange, written_beats
from retune.carriers.errors import SongFileError
from retune.carriers.songfacts import Music
from retune.song.bartime import beats_at
from retune.song.limits import LEAST_BAR_S
from retune.song.tempomap import meters_of, quarters_of, read_tempo_map, tempo_map_by_hand

_UNIT = 1e-6


def bars_from_tempo(
    *,
    meter: Meter,
    tempo_bpm: float,
    first_downbeat_s: float,
    duration_s: float,
    source: str = "given",
) -> Bars:
    """Even bars from the first downbeat until the song is covered."""
    length_s = 60.0 / tempo_bpm * written_beats(meter)
    count = max(1, int(np.ceil((duration_s - first_downbeat_s) / length_s - _UNIT)))
    downbeats = tuple(first_downbeat_s + length_s * k for k in range(count + 1))
    return Bars(downbeats, meter, tempo_bpm, source)


def bars_from_downbeats(
    downbeats_s: Sequence[float],
    *,
    meter: Meter,
    duration_s: float,
    source: str = "given",
    changes: Sequence[MeterChange] = (),
) -> Bars:
    """Bars of a free tempo, continued at the tempo of the last one until the song is covered.

    Raises
    ------
    SongFileError
        Fewer than two downbeats, or not rising; or a meter that makes a bar after them too short.
    """
    times = [float(t) for t in downbeats_s]
    if len(times) < 2 or any(b <= a for a, b in pairwise(times)):
        raise SongFileError(
            f"downbeats_s holds {len(times)} times that must be at least two and rise: give the "
            "start of every bar in seconds, in order"
        )
    meters = Bars((), meter, 0.0, changes=tuple(changes))
    lengths = [quarters_of(meters.meter_of(bar)) for bar in range(1, len(times))]
    quarter_s = (times[-1] - times[-2]) / lengths[-1]
    while times[-1] < duration_s - _UNIT:
        lengths.append(quarters_of(meters.meter_of(len(times))))
        _check_length(len(times), quarter_s * lengths[-1])
        times.append(times[-1] + quarter_s * lengths[-1])
    # Of the first meter's beat, by the middle of all bars.
    usual_s = float(np.median(np.diff(times) / lengths)) * quarters_of(meter)
    tempo = 60.0 * written_beats(meter) / usual_s
    known = tuple(change for change in changes if change.bar < len(times))
    return Bars(tuple(times), meter, round(tempo, 3), source, changes=known)


def _check_length(bar: int, length_s: float) -> None:
    if length_s < LEAST_BAR_S - _UNIT:
        raise SongFileError(
            f"bar {bar}, after the last of downbeats_s, would last {length_s:.2g} s at the tempo "
            f"of the bar before it, less than {LEAST_BAR_S:g} s: give downbeats further on, or "
            "another meter there"
        )


def given_bars(music: Music, *, duration_s: float) -> Bars | None:
    """Bars from the song file, or None when their tempo is left to be found."""
    if music.tempo_map is not None:
        return read_tempo_map(music.tempo_map).bars(
            duration_s=duration_s, first_downbeat_s=music.first_downbeat_s
        )
    changes = meters_of(music)[1:]
    if music.downbeats_s:
        return bars_from_downbeats(
            music.downbeats_s, meter=music.meter, duration_s=duration_s, changes=changes
        )
    if music.tempo_bpm is None:
        return None
    if changes or music.tempos:
        return tempo_map_by_hand(music).bars(duration_s=duration_s)
    return bars_from_tempo(
        meter=music.meter,
        tempo_bpm=music.tempo_bpm,
        first_downbeat_s=music.first_downbeat_s or 0.0,
        duration_s=duration_s,
    )


def bar_and_beat(time_s: float, bars: Bars) -> tuple[int | None, float | None]:
    """Bar (0 is the pickup) and beat within it (from 1) of a moment.

    An onset within a tenth of a beat before a beat counts as on it: singers and players come a
    little early (common practice, no source)."""
    if len(bars.downbeats_s) < 2:
        return None, None
    beats = float(beats_at(time_s, bars))
    near = round(beats)
    if near - 0.1 <= beats < near:
        beats = float(near)
    bar = bars.bar_of(beats)
    return max(bar, 0), round(beats - bars.first_beat(bar) + 1, 3)
