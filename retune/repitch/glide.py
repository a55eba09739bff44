"""How far each frame moves: one offset a note, and between notes the glide that the f0 shows.

Between two notes that move by different amounts the offset must follow the singer's own slide,
not the clock. Every slide of a family of raised cosines (early or late, fast or slow) is weighed
by how well it explains the f0 about the boundary, between the levels found just before and just
after it; single bad frames count little. The progress of the slide is the mean over the whole
family by weight, so that where the f0 says little the glide widens instead of guessing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from retune.carriers.heard import FloatArray, Note, PitchTrack
from retune.song.moved import ADJACENT_S

REACH_S = 0.20
LEVEL_S = 0.20
BESIDE_S = 0.04
TIMES_S = np.arange(-0.12, 0.1201, 0.005)
WIDTHS_S = np.array([0.03, 0.04, 0.05, 0.06, 0.08, 0.10, 0.13, 0.16, 0.20])
WIDTH_WEIGHTS = np.array([0.4, 0.6, 0.7, 0.8, 1.0, 1.0, 0.8, 0.6, 0.3])
TIME_SD_S = 0.03
FIT_SD_CENTS, FIT_CLIP = 20.0, 2.5
LIKE_S, LOOK_S = 0.02, 0.005
LEVEL_SD_CENTS, LEVEL_FRAMES = 40.0, 4.0
OUTLIER_CENTS = 150.0
STEP_GAP_S, STEP_CENTS = 0.02, 80.0
TAIL_S = 0.03
LEAST_WEIGHT = 1e-4

Change = Callable[[FloatArray], FloatArray]
Reshape = Callable[["Slide", float, float, Note], Sequence[tuple["Slide", float]]]
"""From the slide into a note, its size in cents and how much larger it gets, to those instead."""


def smooth_step(x: FloatArray) -> FloatArray:
    """0 below 0, 1 above 1, a raised cosine between."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(x, 0.0, 1.0)))


@dataclass(frozen=True, eq=False)
class Slide:
    """The way from one note into the next: weighted raised cosines. `start_s`, `stop_s`
    and `weight` run over the candidates; weights add up to 1."""

    start_s: FloatArray
    stop_s: FloatArray
    weight: FloatArray

    def progress(self, time_s: FloatArray) -> FloatArray:
        """0 before the slide, 1 after it, at each time."""
        out = (time_s >= 0.5 * (self.start_s.min() + self.stop_s.max())).astype(np.float64)
        near = (time_s > self.start_s.min()) & (time_s < self.stop_s.max())
        shapes = _shapes(self.start_s, self.stop_s, time_s[near])
        out[near] = np.sum(self.weight[:, None] * shapes, axis=0)
        return np.asarray(out)


def _shapes(start_s: FloatArray, stop_s: FloatArray, time_s: FloatArray) -> FloatArray:
    """Progress of each slide at each time, (n_slides, n_times)."""
    return smooth_step((time_s[None, :] - start_s[:, None]) / (stop_s - start_s)[:, None])


def _step(at_s: float, width_s: float = 2e-3) -> Slide:
    one = np.ones(1)
    return Slide((at_s - width_s / 2) * one, (at_s + width_s / 2) * one, one)


def cut_at(at_s: float) -> Slide:
    """A step, for spans that are cut and not sung into."""
    return _step(at_s)


def _candidates(boundary_s: float) -> tuple[Slide, FloatArray]:
    """Every slide about the boundary, and its log weight before the f0 is looked at."""
    time, width = np.meshgrid(TIMES_S, WIDTHS_S, indexing="ij")
    log_weight = -0.5 * (time / TIME_SD_S) ** 2 + np.log(WIDTH_WEIGHTS)
    middle, half = boundary_s + time.ravel(), width.ravel() / 2
    weight = np.full(middle.size, 1.0 / middle.size)
    return Slide(middle - half, middle + half, weight), log_weight.ravel()


def _mean_between(
    time_s: FloatArray, cents: FloatArray, start_s: FloatArray, stop_s: FloatArray, otherwise: float
) -> FloatArray:
    """Mean of `cents` between two times, drawn to `otherwise` where frames are few."""
    total = np.concatenate([[0.0], np.cumsum(cents)])
    a, b = np.searchsorted(time_s, start_s), np.searchsorted(time_s, stop_s)
    return np.asarray((total[b] - total[a] + LEVEL_FRAMES * otherwise) / (b - a + LEVEL_FRAMES))


def _hop_s(time_s: FloatArray) -> float:
    return float(np.median(np.diff(time_s))) if len(time_s) > 1 else LIKE_S


def _thinning(time_s: FloatArray) -> int:
    """Every how many frames are looked at: frames nearer than 5 ms say nothing new."""
    return max(round(LOOK_S / _hop_s(time_s)), 1)


def _log_fit(
    slide: Slide,
    time_s: FloatArray,
    cents: FloatArray,
    boundary_s: float,
    levels: tuple[float, float],
) -> FloatArray:
    """How well each candidate explains the f0; frames within LIKE_S say the same thing."""
    low, high = levels
    sane = np.clip(cents, min(levels) - OUTLIER_CENTS, max(levels) + OUTLIER_CENTS)
    before = _mean_between(time_s, sane, slide.start_s - LEVEL_S, slide.start_s, low)
    after = _mean_between(time_s, sane, slide.stop_s, slide.stop_s + LEVEL_S, high)
    near = np.flatnonzero(np.abs(time_s - boundary_s) < REACH_S)[:: _thinning(time_s)]
    shape = _shapes(slide.start_s, slide.stop_s, time_s[near])
    left = cents[near] - before[:, None] - (after - before)[:, None] * shape
    misfit = np.minimum(np.abs(left) / FIT_SD_CENTS, FIT_CLIP) ** 2
    hop = _hop_s(time_s) * _thinning(time_s)
    drift = ((before - low) ** 2 + (after - high) ** 2) / LEVEL_SD_CENTS**2
    return np.asarray(-0.5 * misfit.sum(axis=1) * min(hop / LIKE_S, 1.0) - 0.5 * drift)


def _level(time_s: FloatArray, cents: FloatArray, start_s: float, stop_s: float) -> float:
    inside = (time_s >= start_s) & (time_s < stop_s) & np.isfinite(cents)
    return float(np.median(cents[inside])) if inside.any() else float("nan")


def _silence_near(time_s: FloatArray, cents: FloatArray, at_s: float) -> float:
    """The middle of the unvoiced stretch nearest to a time, or the time itself without one."""
    near = np.abs(time_s - at_s) < 1.5 * ADJACENT_S
    silent = np.concatenate([[False], np.isnan(cents) & near, [False]])
    turns = np.flatnonzero(silent[1:] != silent[:-1]).reshape(-1, 2)
    if not len(turns):
        return at_s
    starts, stops = time_s[turns[:, 0]], time_s[turns[:, 1] - 1]
    away = np.maximum(np.maximum(starts - at_s, at_s - stops), 0.0)
    best = int(np.argmin(away))
    return float(0.5 * (starts[best] + stops[best])) if away[best] < ADJACENT_S else at_s


def find_slide(
    time_s: FloatArray,
    cents: FloatArray,
    *,
    before: Note,
    after: Note,
    change: Change | None = None,
) -> Slide:
    """The slide between two adjacent notes from f0 in cents (NaN where unvoiced).

    `change` says for any times how much they look like a border of two sounds; it is asked
    when the pitches are too near for the f0 to show the border.
    """
    boundary = 0.5 * (before.end_s + after.start_s)
    low = _level(time_s, cents, max(boundary - LEVEL_S, before.start_s), boundary - BESIDE_S)
    high = _level(time_s, cents, boundary + BESIDE_S, min(boundary + LEVEL_S, after.end_s))
    gap = after.start_s - before.end_s
    if not np.isfinite([low, high]).all() or (gap >= STEP_GAP_S and abs(high - low) < STEP_CENTS):
        return cut_at(_silence_near(time_s, cents, boundary))
    used = (time_s > max(boundary - 1.5 * REACH_S, before.start_s)) & np.isfinite(cents)
    used &= time_s < min(boundary + 1.5 * REACH_S, after.end_s)
    slide, log_weight = _candidates(boundary)
    log_weight = log_weight + _log_fit(slide, time_s[used], cents[used], boundary, (low, high))
    if change is not None and abs(high - low) < STEP_CENTS:
        middle = 0.5 * (slide.start_s + slide.stop_s)
        log_weight = log_weight + (1 - abs(high - low) / STEP_CENTS) * change(middle)
    weight = np.exp(log_weight - log_weight.max())
    keep = weight > LEAST_WEIGHT
    return Slide(slide.start_s[keep], slide.stop_s[keep], weight[keep] / weight[keep].sum())


def _tail(note: Note, time_s: FloatArray, cents: FloatArray) -> Slide:
    """The way back to 0 after a note that no other note follows at once."""
    end = note.end_s
    voiced = np.isfinite(cents[(time_s > end) & (time_s < end + 0.075)])
    return _step(end + TAIL_S, 0.06) if voiced.any() else _step(end + TAIL_S)


def _head(note: Note, time_s: FloatArray, cents: FloatArray) -> Slide:
    """The way from 0 before a note that follows no other note at once."""
    start = note.start_s
    voiced = np.isfinite(cents[(time_s > start - 0.075) & (time_s < start)])
    return _step(start - TAIL_S, 0.06) if voiced.any() else _step(start - TAIL_S)


def slides_of(
    time_s: FloatArray,
    f0_hz: FloatArray,
    *,
    notes: Sequence[Note],
    shifts: Sequence[float],
    change: Change | None = None,
    into: Mapping[int, Reshape] | None = None,
) -> list[tuple[Slide, float]]:
    """Every place where the offset changes: the slide, and by how many cents. `into` shapes the
    slides into notes, by index, that are to be reached otherwise than sung."""
    with np.errstate(invalid="ignore", divide="ignore"):
        cents = 1200 * np.log2(f0_hz / 440.0)
    found: list[tuple[Slide, float]] = []
    for i, (note, shift) in enumerate(zip(notes, shifts, strict=True)):
        follows = i > 0 and note.start_s - notes[i - 1].end_s < ADJACENT_S
        previous = shifts[i - 1] if follows else 0.0
        reshape = (into or {}).get(note.index) if follows else None
        if shift != previous or reshape is not None:
            slide = (
                find_slide(time_s, cents, before=notes[i - 1], after=note, change=change)
                if follows
                else _head(note, time_s, cents)
            )
            if reshape is None:
                found.append((slide, shift - previous))
            else:
                step = 100 * (note.pitch_midi - notes[i - 1].pitch_midi)
                found += reshape(slide, step, shift - previous, note)
        goes_on = i + 1 < len(notes) and notes[i + 1].start_s - note.end_s < ADJACENT_S
        if not goes_on and shift != 0:
            found.append((_tail(note, time_s, cents), -shift))
    return found


def offset_curve(track: PitchTrack, notes: Sequence[Note], shifts: Sequence[float]) -> FloatArray:
    """How far each frame of a pitch track moves.

    Parameters
    ----------
    track : PitchTrack
        f0 of one voice.
    notes : sequence of Note
        All notes in order of time, the unmoved ones too: they say where slides come from.
    shifts : sequence of float
        Cents for each note; 0 for a note that stays.

    Returns
    -------
    ndarray, shape (n_frames,)
        Cents to add at each `track.time_s`.
    """
    out = np.zeros(len(track.time_s))
    for slide, cents in slides_of(track.time_s, track.f0_hz, notes=notes, shifts=shifts):
        out += cents * slide.progress(track.time_s)
    return out
