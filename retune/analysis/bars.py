"""Bars and beats: from what was given, or estimated from what is heard."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from retune.carriers.errors import SongFileError
from retune.carriers.heard import Bars, FloatArray
from retune.carriers.songfacts import Music


def written_beats(meter: tuple[int, int]) -> int:
    """Written beats of a bar: dotted quarters in 6/8, 9/8, 12/8."""
    return Bars((), meter, 0.0).beats_per_bar


def bars_from_tempo(
    *,
    meter: tuple[int, int],
    tempo_bpm: float,
    first_downbeat_s: float,
    duration_s: float,
    source: str = "given",
) -> Bars:
    """Even bars from the first downbeat until the song is covered."""
    length_s = 60.0 / tempo_bpm * written_beats(meter)
    count = max(1, int(np.ceil((duration_s - first_downbeat_s) / length_s - 1e-6)))
    downbeats = tuple(first_downbeat_s + length_s * k for k in range(count + 1))
    return Bars(downbeats, meter, tempo_bpm, source)


def bars_from_downbeats(
    downbeats_s: Sequence[float],
    *,
    meter: tuple[int, int],
    duration_s: float,
    source: str = "given",
) -> Bars:
    """Bars of a free tempo, continued at the length of the last one until the song is covered.

    Raises
    ------
    SongFileError
        Fewer than two downbeats, or not rising.
    """
    times = [float(t) for t in downbeats_s]
    if len(times) < 2 or any(b <= a for a, b in pairwise(times)):
        raise SongFileError(
            f"downbeats_s holds {len(times)} times that must be at least two and rise: give the "
            "start of every bar in seconds, in order"
        )
    length_s = times[-1] - times[-2]
    while times[-1] < duration_s - 1e-6:
        times.append(times[-1] + length_s)
    tempo = 60.0 * written_beats(meter) / float(np.median(np.diff(times)))
    return Bars(tuple(times), meter, round(tempo, 3), source)


def given_bars(music: Music, *, duration_s: float) -> Bars | None:
    """Bars from the song file, or None when their tempo is left to be found."""
    if music.downbeats_s:
        return bars_from_downbeats(music.downbeats_s, meter=music.meter, duration_s=duration_s)
    if music.tempo_bpm is None:
        return None
    return bars_from_tempo(
        meter=music.meter,
        tempo_bpm=music.tempo_bpm,
        first_downbeat_s=music.first_downbeat_s or 0.0,
        duration_s=duration_s,
    )


def beats_at(time_s: float | FloatArray, bars: Bars) -> FloatArray:
    """Beats since the first downbeat (negative in the pickup), for times in seconds."""
    downs = np.asarray(bars.downbeats_s)
    per_bar = bars.beats_per_bar
    beats = np.arange(len(downs)) * float(per_bar)
    t = np.asarray(time_s, dtype=np.float64)
    first, last = (downs[1] - downs[0]) / per_bar, (downs[-1] - downs[-2]) / per_bar
    inside = np.interp(t, downs, beats)
    before, after = (t - downs[0]) / first, beats[-1] + (t - downs[-1]) / last
    result: FloatArray = np.where(t < downs[0], before, np.where(t > downs[-1], after, inside))
    return result


def seconds_at(beat: float, bars: Bars) -> float:
    """Time of a beat counted from the first downbeat; the inverse of `beats_at`."""
    downs = np.asarray(bars.downbeats_s)
    per_bar = bars.beats_per_bar
    place = beat / per_bar
    low = int(np.clip(np.floor(place), 0, len(downs) - 2))
    return float(downs[low] + (place - low) * (downs[low + 1] - downs[low]))


def bar_and_beat(time_s: float, bars: Bars) -> tuple[int | None, float | None]:
    """Bar (0 is the pickup) and beat within it (from 1) of a moment.

    An onset within a tenth of a beat before a beat counts as on it: singers and players come a
    little early (common practice, no source)."""
    if len(bars.downbeats_s) < 2:
        return None, None
    per_bar = bars.beats_per_bar
    beats = float(beats_at(time_s, bars))
    near = round(beats)
    if near - 0.1 <= beats < near:
        beats = float(near)
    bar = int(np.floor(beats / per_bar)) + 1
    if bar < 1:
        return 0, round(beats % per_bar + 1, 3)
    return bar, round(beats - (bar - 1) * per_bar + 1, 3)
