"""Which notes make a phrase: as given, every N bars, or found."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import count, pairwise

import numpy as np

from retune.analysis.phrase_model import phrase_starts
from retune.carriers.errors import SongFileError
from retune.carriers.heard import Bars, FloatArray
from retune.song.bartime import beats_at

EVERY = re.compile(
    r"every\s+(?P<bars>\d+)\s+bars?(?:\s*,\s*pickup\s+(?P<pickup>\d+(?:\.\d+)?)\s+beats?)?", re.I
)
# A given span takes in a note that starts this much before it.
EARLY_S = 0.06
# A silence this long ends a phrase whatever the rest says.
LONG_REST_S = 3.0
# The shortest silence that may be a breath: .15 finds more endings of folk tunes sung by made
# voices than .25 (bench_endings.py --fit), and most consonants are shorter.
BREATH_S = 0.15


@dataclass(frozen=True)
class PhraseSpan:
    """Notes `first` to `last` (positions from 0, inclusive); `start_s`, `end_s` as given, or
    from the first onset to the last end."""

    first: int
    last: int
    start_s: float
    end_s: float


def find_phrases(
    start_s: Sequence[float],
    end_s: Sequence[float],
    midi: Sequence[float],
    *,
    bars: Bars,
    wanted: str | tuple[tuple[float, float], ...] = "auto",
) -> tuple[PhraseSpan, ...]:
    """Phrases of a melody, in order; given spans without a note are left out.

    Raises
    ------
    SongFileError
        `wanted` is text that is neither "auto" nor "every N bars[, pickup N beats]".
    """
    onset, end = np.asarray(start_s, np.float64), np.asarray(end_s, np.float64)
    if not len(onset):
        return ()
    if not isinstance(wanted, str):
        return _given(onset, wanted)
    if wanted.strip().lower() == "auto":
        return _spans(_found(onset, end, np.asarray(midi, np.float64), bars), onset, end)
    match = EVERY.fullmatch(wanted.strip())
    if match is None or int(match["bars"]) < 1:
        raise SongFileError(
            f'phrases = "{wanted}" does not read: write "auto", "every 4 bars", "every 4 bars, '
            'pickup 1 beat" or a list of [start_s, end_s]'
        )
    pickup = None if match["pickup"] is None else float(match["pickup"])
    return _spans(_every(onset, end, bars, int(match["bars"]), pickup), onset, end)


def _spans(starts: Sequence[int], onset: FloatArray, end: FloatArray) -> tuple[PhraseSpan, ...]:
    stops = [*starts[1:], len(onset)]
    return tuple(
        PhraseSpan(a, b - 1, float(onset[a]), float(end[b - 1]))
        for a, b in zip(starts, stops, strict=True)
    )


def _given(onset: FloatArray, spans: tuple[tuple[float, float], ...]) -> tuple[PhraseSpan, ...]:
    found, taken = [], 0
    for start_s, end_s in spans:
        inside = np.flatnonzero((onset >= start_s - EARLY_S) & (onset < end_s - EARLY_S))
        inside = inside[inside >= taken]
        if len(inside):
            taken = int(inside[-1]) + 1
            found.append(PhraseSpan(int(inside[0]), taken - 1, float(start_s), float(end_s)))
    return tuple(found)


def _every(
    onset: FloatArray, end: FloatArray, bars: Bars, n_bars: int, pickup: float | None
) -> list[int]:
    """First notes of phrases of `n_bars` bars each, counted from the first downbeat."""
    if len(bars.downbeats_s) < 2:
        return [0]
    beats, ends = beats_at(onset, bars), beats_at(end, bars)
    starts = {0}
    for bar in count(n_bars + 1, n_bars):
        line = float(bars.first_beat(bar))
        if line > float(ends[-1]) - 0.25:
            break
        if pickup is not None:
            cut = int(np.searchsorted(beats, line - pickup - 0.25))
        else:
            cut = _longest_gap(beats, ends, line)
        if 0 < cut < len(onset):
            starts.add(cut)
    return sorted(starts)


def _in_even_bars(beats: FloatArray, bars: Bars) -> FloatArray:
    """Beats as they would lie if all bars had as many as the first: phrases are told by bars."""
    if not bars.changes:
        return beats
    held = [(bars.bar_of(beat), beat) for beat in beats]
    parts = [(beat - bars.first_beat(bar)) / bars.beats_in(bar) for bar, beat in held]
    return np.array([bar - 1 + part for (bar, _), part in zip(held, parts, strict=True)]) * float(
        bars.beats_in(1)
    )


def _longest_gap(beats: FloatArray, ends: FloatArray, line: float) -> int:
    """The note that begins a phrase at a barline: the one after the longest silence within a
    beat of it; of equal gaps the one nearest the barline."""
    near = [i for i in range(1, len(beats)) if abs(beats[i] - line) <= 1.1]
    if not near:
        return int(np.searchsorted(beats, line - 0.1))
    gaps = {i: max(0.0, float(beats[i] - ends[i - 1])) for i in near}
    longest = max(gaps.values())
    return min((i for i in near if gaps[i] >= longest - 0.03), key=lambda i: abs(beats[i] - line))


def _found(onset: FloatArray, end: FloatArray, midi: FloatArray, bars: Bars) -> list[int]:
    """Beginnings by the melody itself, long silences first."""
    silence = onset[1:] - end[:-1]
    pieces = [0, *(int(i) + 1 for i in np.flatnonzero(silence >= LONG_REST_S)), len(onset)]
    known = len(bars.downbeats_s) >= 2 and bars.source != "estimated"
    if known:
        place, length = (_in_even_bars(beats_at(at, bars), bars) for at in (onset, end))
        bar_beats: float | None = float(bars.beats_in(1))
    else:
        unit = float(np.median(np.diff(onset))) if len(onset) > 1 else 1.0
        place, length, bar_beats = onset / unit, end / unit, None
    duration = np.maximum(length - place, 0.05)
    # Shorter silences are consonants, no breaths: the note lasts until the next.
    short = np.flatnonzero(silence < BREATH_S)
    duration[short] = (place[1:] - place[:-1])[short]
    starts: list[int] = []
    for a, b in pairwise(pieces):
        found = phrase_starts(
            place[a:b], duration[a:b], midi[a:b], bar_beats=bar_beats, breathes=True
        )
        starts += [a + i for i in found]
    return starts
