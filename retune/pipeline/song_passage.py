"""The part of a song that is worked on, and what is heard in it on the clock of the whole."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from retune.carriers.errors import UsageError
from retune.carriers.heard import AudioLike, PitchTrack
from retune.carriers.songfacts import Song
from retune.song.bartime import bar_time
from retune.song.timetext import HOW, read_place
from retune.sound.audio import AudioFile
from retune.sound.parts import Cut

SHORTEST_S = 0.5
GRID_S = 256 / 22050
"""Frames of a track lie on multiples of this, whatever part is heard."""
SILENT_DB = -120.0


def passage_of(
    song: Song, given: tuple[str | None, str | None], *, duration_s: float
) -> tuple[float, float] | None:
    """The part to work on, in seconds: as `given`, else the song file's; None for all of it.

    Raises
    ------
    UsageError
        A time that does not read, a bar of bars that are not given, or a part that is empty or
        outside the song.
    """
    start, end = given
    if start is None and end is None:
        start, end = song.passage or (None, None)
    if start is None and end is None:
        return None
    first = 0.0 if start is None else _seconds(start, song, duration_s)
    last = duration_s if end is None else _seconds(end, song, duration_s)
    if last - first < SHORTEST_S or first >= duration_s or last > duration_s + 0.05:
        raise UsageError(
            f"the passage from {start or 'the start'} to {end or 'the end'} is not in the song, "
            f"which lasts {duration_s:.1f} s: choose a start and an end in it, at least "
            f"{SHORTEST_S:g} s apart"
        )
    return first, min(last, duration_s)


def counts_bars(*times: str | None) -> bool:
    """Whether one of these times is a bar and a beat."""
    return any(isinstance(read_place(time), tuple) for time in times if time is not None)


def _seconds(text: str, song: Song, duration_s: float) -> float:
    from retune.analysis.bars import given_bars

    place = read_place(text)
    if place is None:
        raise UsageError(f'"{text}" is not a time: {HOW}')
    if isinstance(place, float):
        return place
    bars = given_bars(song.music, duration_s=duration_s)
    if bars is None:
        raise UsageError(
            f'the passage counts bars ("{text}"), but nobody said where they are: give tempo_bpm '
            "and first_downbeat_s, or write the passage in seconds, as 0:48-1:12"
        )
    return max(bar_time(bars, *place), 0.0)


def samples_of(passage: tuple[float, float], audio: AudioFile) -> tuple[int, int]:
    """First and last sample of a passage, the first on the grid of tracks or just before."""
    first_s = np.floor(passage[0] / GRID_S + 1e-9) * GRID_S
    return int(np.ceil(first_s * audio.rate_hz)), round(passage[1] * audio.rate_hz)


def track_part(audio: AudioLike, track: Callable[[AudioLike], PitchTrack]) -> PitchTrack:
    """What `track` hears in the part of a sound that is worked on, on the clock of the whole."""
    first = int(getattr(audio, "first", 0))
    if not first:
        return track(audio)
    return later(track(Cut(audio, first, audio.n_samples)), first / audio.rate_hz)


def later(track: PitchTrack, start_s: float) -> PitchTrack:
    """A track of a part that begins at `start_s`, silent before."""
    n = round(start_s / track.hop_s) if track.hop_s else 0

    def put(values: np.ndarray, before: float) -> np.ndarray:
        return np.concatenate([np.full(n, before), values])

    time_s = start_s - track.hop_s * np.arange(n, 0, -1)
    return PitchTrack(
        np.concatenate([time_s, np.asarray(track.time_s) + start_s]),
        put(track.f0_hz, np.nan),
        put(track.voiced_prob, 0.0),
        put(track.energy_db, SILENT_DB),
        track.tracker,
    )
