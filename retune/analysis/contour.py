"""The pitch line that notes are read from: gated, cleared of stray octaves, vibrato ironed out."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retune.analysis.sonority import Levels
from retune.carriers.heard import FloatArray, PitchTrack, frozen_array
from retune.carriers.units import hz_to_midi

# Frames this far below the loud parts of the stem are no singing (common practice, no source).
GATE_DB = 42.0
# Half a period of vibrato between 3.5 and 9 Hz; singers' vibrato is 5.5-8 Hz (Timmers & Desain
# 2000, citing Seashore 1938 and Sundberg 1987), with room for the slow and the nervous.
HALF_PERIOD_S = (0.055, 0.145)
# Half extent, in semitones, of what may be ironed out.
EXTENT = (0.12, 2.1)
# A stray of less than this between two stretches of the same line, by about an octave, is the
# tracker's, not the singer's.
STRAY_S = 0.09


@dataclass(frozen=True, eq=False)
class Contour:
    """Pitch per frame: `midi` (A4 = 440, NaN unvoiced) as tracked, `flat` the same without
    vibrato, `prob` how surely voiced, `swing` half the vibrato's extent in semitones (0 for
    none); float64 (n_frames,), frames `hop_s` apart from `start_s` on."""

    start_s: float
    hop_s: float
    midi: FloatArray
    flat: FloatArray
    prob: FloatArray
    swing: FloatArray

    def __post_init__(self) -> None:
        for name in ("midi", "flat", "prob", "swing"):
            object.__setattr__(self, name, frozen_array(getattr(self, name), np.float64))

    def frame(self, time_s: float) -> int:
        """The nearest frame, inside the contour."""
        nearest = round((time_s - self.start_s) / self.hop_s) if self.hop_s else 0
        return max(0, min(nearest, len(self.midi) - 1))

    def time(self, frame: float) -> float:
        return self.start_s + frame * self.hop_s


def make_contour(track: PitchTrack, levels: Levels) -> Contour:
    """The pitch line of a stem, from its track and its levels."""
    midi = np.array(hz_to_midi(np.where(track.f0_hz > 0, track.f0_hz, np.nan)), dtype=np.float64)
    if len(midi) and len(levels.full_db):
        grid = np.clip(np.round(track.time_s / levels.step_s), 0, len(levels.full_db) - 1)
        level = levels.full_db[grid.astype(np.int64)]
        if np.isfinite(midi).any():
            loud = np.percentile(level[np.isfinite(midi)], 90)
            midi[level < loud - GATE_DB] = np.nan
    _mend_strays(midi, hop_s=track.hop_s)
    flat, swing = iron_vibrato(midi, hop_s=track.hop_s)
    start_s = float(track.time_s[0]) if len(midi) else 0.0
    return Contour(start_s, track.hop_s, midi, flat, track.voiced_prob, swing)


def voiced_runs(midi: FloatArray) -> list[tuple[int, int]]:
    """[start, stop) of each unbroken stretch of numbers."""
    edges = np.diff(np.concatenate(([0], np.isfinite(midi).astype(np.int8), [0])))
    return list(zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True))


def _mend_strays(midi: FloatArray, *, hop_s: float) -> None:
    """Move short strays by an octave (or a twelfth) back onto the line around them, in place."""
    longest = max(1, int(STRAY_S / hop_s)) if hop_s else 0
    for start, stop in voiced_runs(midi):
        jumps = np.flatnonzero(np.abs(np.diff(midi[start:stop])) > 6.0) + start + 1
        bounds = [start, *jumps, stop]
        for a, b in pairwise(bounds[1:-1]):
            before, after = midi[a - 1], midi[b]
            if b - a > longest or abs(before - after) > 3.0:
                continue
            away = float(np.median(midi[a:b]) - 0.5 * (before + after))
            for octave in (12.0, -12.0, 19.02, -19.02):
                if abs(away - octave) < 1.5:
                    midi[a:b] -= octave


def iron_vibrato(midi: FloatArray, *, hop_s: float) -> tuple[FloatArray, FloatArray]:
    """The line midway between the crests and troughs of vibrato, and half its extent.

    Vibrato is what swings at least three times in a row with half periods within HALF_PERIOD_S
    and extents within EXTENT of like size. Elsewhere the line is left as it is.

    Returns
    -------
    flat, swing : float64 (n_frames,)
        MIDI (NaN where unvoiced) and semitones (0 where there is no vibrato).
    """
    flat, swing = midi.copy(), np.zeros(len(midi))
    for start, stop in voiced_runs(midi):
        if (stop - start) * hop_s >= 3 * HALF_PERIOD_S[0]:
            _iron_run(midi[start:stop], flat[start:stop], swing[start:stop], hop_s)
    return flat, swing


def turning_points(line: FloatArray, *, least: float) -> NDArray[Any]:
    """Indices of alternating crests and troughs at least `least` apart in height."""
    points = [0]
    rising: bool | None = None
    best = 0
    for i in range(1, len(line)):
        if rising is None:
            if abs(line[i] - line[points[0]]) >= least:
                rising, best = bool(line[i] > line[points[0]]), i
        elif (line[i] > line[best]) == rising and line[i] != line[best]:
            best = i
        elif abs(line[i] - line[best]) >= least:
            points.append(best)
            rising, best = not rising, i
    return np.array(points[1:], dtype=np.int64)


def _iron_run(midi: FloatArray, flat: FloatArray, swing: FloatArray, hop_s: float) -> None:
    turns = turning_points(midi, least=2 * EXTENT[0])
    if len(turns) < 4:
        return
    gaps = np.diff(turns) * hop_s
    sizes = np.abs(np.diff(midi[turns])) / 2
    swings = (
        (gaps >= HALF_PERIOD_S[0])
        & (gaps <= HALF_PERIOD_S[1])
        & (sizes >= EXTENT[0])
        & (sizes <= EXTENT[1])
    )
    ratio = np.maximum(sizes[1:], sizes[:-1]) / np.minimum(sizes[1:], sizes[:-1])
    alike = np.concatenate((ratio < 2.2, [True]))
    first = 0
    while first < len(swings):
        last = first
        while last < len(swings) and swings[last] and (last == first or alike[last - 1]):
            last += 1
        if last - first >= 3:
            _iron_span(midi, flat, swing, turns[first : last + 1], int(0.5 * np.mean(gaps) / hop_s))
        first = max(last, first + 1)


def _iron_span(
    midi: FloatArray, flat: FloatArray, swing: FloatArray, turns: NDArray[Any], reach: int
) -> None:
    """Draw the middle line through one stretch of vibrato, a quarter swing past its ends."""
    height = midi[turns]
    if len(turns) >= 3:
        # Each turn against the mean of its neighbours, so that a slow rise does not bend it.
        middle = 0.5 * (height[1:-1] + 0.5 * (height[:-2] + height[2:]))
        at = turns[1:-1]
    frames = np.arange(turns[0], turns[-1] + 1)
    flat[frames] = np.interp(frames, at, middle)
    swing[frames] = np.mean(np.abs(np.diff(height))) / 2
    for side, edge in ((range(turns[0] - 1, -1, -1), 0), (range(turns[-1] + 1, len(midi)), -1)):
        level, size = middle[edge], swing[turns[edge]]
        for count, i in enumerate(side):
            if count > 2 * reach + 2 or abs(midi[i] - level) > 1.15 * size:
                break
            flat[i] = level
