"""How far each frame moves: one offset a note, and between notes the glide that the f0 shows.

Between two notes that move by different amounts the offset must follow the singer's own slide,
not the clock. Every slide from a family of raised cosines (early or late, fast or slow, even or
skewed) is weighed by how well it explains the f0 about the boundary; what a slide leaves over is
taken for wander and vibrato, with the covariance that those have (a Gaussian process, see
Rasmussen & Williams 2006, "Gaussian Processes for Machine Learning", chapter 2); the levels of
both notes are unknowns under a wide prior and are integrated out. The progress of the slide is
the mean over all candidates by weight.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from retune.core.carriers import FloatArray, Note, PitchTrack

REACH_S = 0.20
TIMES_S = np.arange(-0.12, 0.1201, 0.005)
WIDTHS_S = (0.03, 0.045, 0.06, 0.08, 0.10, 0.13, 0.17)
WIDTH_WEIGHTS = (0.4, 0.6, 0.9, 1.0, 1.0, 0.8, 0.5)
SKEWS = (1.0,)
TIME_SD_S = 0.03
LEVEL_SD = 80.0
WANDER_SD, WANDER_S = 15.0, 0.05
VIBRATO_SD, VIBRATO_HZ, VIBRATO_S = 25.0, 5.5, 0.15
NOISE_SD = 6.0
OUTLIER_CENTS = 250.0
ADJACENT_S = 0.15
STEP_GAP_S, STEP_CENTS = 0.02, 80.0
TAIL_S = 0.03
MIN_FRAMES = 8
LEAST_S = 0.02


def smooth_step(x: FloatArray) -> FloatArray:
    """0 below 0, 1 above 1, a raised cosine between."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(x, 0.0, 1.0)))


@dataclass(frozen=True, eq=False)
class Slide:
    """The way from one note into the next: weighted raised cosines. `start_s`, `stop_s`,
    `skew` and `weight` run over the candidates; weights add up to 1."""

    start_s: FloatArray
    stop_s: FloatArray
    skew: FloatArray
    weight: FloatArray

    def progress(self, time_s: FloatArray) -> FloatArray:
        """0 before the slide, 1 after it, at each time."""
        out = (time_s >= 0.5 * (self.start_s.min() + self.stop_s.max())).astype(np.float64)
        near = (time_s > self.start_s.min()) & (time_s < self.stop_s.max())
        out[near] = self.weight @ _shapes(self.start_s, self.stop_s, self.skew, time_s[near])
        return np.asarray(out)

    def within(self, earliest_s: float, latest_s: float) -> Slide:
        """The same slide pressed between two times."""
        least = min(LEAST_S, max(latest_s - earliest_s, 1e-3))
        start = np.clip(self.start_s, earliest_s, latest_s - least)
        stop = np.clip(self.stop_s, earliest_s + least, latest_s)
        return Slide(start, np.maximum(stop, start + 1e-3), self.skew, self.weight)


def _shapes(
    start_s: FloatArray, stop_s: FloatArray, skew: FloatArray, time_s: FloatArray
) -> FloatArray:
    part = (time_s[None, :] - start_s[:, None]) / (stop_s - start_s)[:, None]
    return smooth_step(np.clip(part, 0.0, 1.0) ** skew[:, None])


def _step(at_s: float, width_s: float = 2e-3) -> Slide:
    one = np.ones(1)
    return Slide((at_s - width_s / 2) * one, (at_s + width_s / 2) * one, one, one)


def cut_at(at_s: float) -> Slide:
    """A step, for spans that are cut and not sung into."""
    return _step(at_s)


def _candidates(boundary_s: float) -> tuple[Slide, FloatArray]:
    """Every slide about the boundary, and its log weight before the f0 is looked at."""
    time, width, skew = np.meshgrid(TIMES_S, WIDTHS_S, SKEWS, indexing="ij")
    prior = -0.5 * (time / TIME_SD_S) ** 2 + np.log(WIDTH_WEIGHTS)[None, :, None]
    middle = boundary_s + time.ravel()
    half = width.ravel() / 2
    slide = Slide(middle - half, middle + half, skew.ravel(), np.full(middle.size, 1 / middle.size))
    return slide, prior.ravel()


def _covariance(time_s: FloatArray) -> FloatArray:
    """Of what a singer does besides sliding: wander, vibrato, noise of the tracker; cents^2."""
    lag = time_s[:, None] - time_s[None, :]
    wander = WANDER_SD**2 * np.exp(-0.5 * (lag / WANDER_S) ** 2)
    beat = np.cos(2 * np.pi * VIBRATO_HZ * lag) * np.exp(-0.5 * (lag / VIBRATO_S) ** 2)
    return np.asarray(wander + VIBRATO_SD**2 * beat + NOISE_SD**2 * np.eye(len(time_s)))


def _log_evidence(
    slide: Slide, time_s: FloatArray, cents: FloatArray, levels: tuple[float, float]
) -> FloatArray:
    """Log likelihood of the f0 under each candidate, levels integrated out."""
    from scipy.linalg import solve_triangular

    shape = _shapes(slide.start_s, slide.stop_s, slide.skew, time_s)
    lower = np.linalg.cholesky(_covariance(time_s))
    n = len(shape)
    white = solve_triangular(lower, np.vstack([shape, np.ones_like(cents), cents]).T, lower=True).T
    rise, one, seen = white[:n], white[n], white[n + 1]
    low, gap = levels[0], levels[1] - levels[0]
    left = seen[None, :] - low * one[None, :] - gap * rise
    # two unknowns: error of the first level (1 - shape) and of the second (shape)
    first, second = one[None, :] - rise, rise
    tight = 1 / LEVEL_SD**2
    a = np.sum(first**2, 1) + tight
    b = np.sum(first * second, 1)
    d = np.sum(second**2, 1) + tight
    u, v = np.sum(first * left, 1), np.sum(second * left, 1)
    det = a * d - b**2
    gain = (d * u**2 - 2 * b * u * v + a * v**2) / det
    return np.asarray(-0.5 * (np.sum(left**2, 1) - gain) - 0.5 * np.log(det))


def _level(time_s: FloatArray, cents: FloatArray, start_s: float, stop_s: float) -> float:
    inside = (time_s >= start_s) & (time_s < stop_s)
    return float(np.median(cents[inside])) if inside.any() else float("nan")


def find_slide(
    time_s: FloatArray,
    cents: FloatArray,
    *,
    before: Note,
    after: Note,
    hint: FloatArray | None = None,
) -> Slide:
    """The slide between two adjacent notes from f0 in cents (NaN where unvoiced)."""
    boundary = 0.5 * (before.end_s + after.start_s)
    gap = after.start_s - before.end_s
    slide, log_weight = _candidates(boundary)
    reach_before = min(REACH_S, max(0.6 * (before.end_s - before.start_s), 0.06))
    reach_after = min(REACH_S, max(0.6 * (after.end_s - after.start_s), 0.06))
    low = _level(time_s, cents, boundary - reach_before, boundary - min(0.04, reach_before / 2))
    high = _level(time_s, cents, boundary + min(0.04, reach_after / 2), boundary + reach_after)
    if not np.isfinite([low, high]).all():
        return _step(boundary)
    if gap >= STEP_GAP_S and abs(high - low) < STEP_CENTS:
        return _step(boundary)
    used = (time_s >= boundary - reach_before) & (time_s < boundary + reach_after)
    used &= np.isfinite(cents)
    used &= (cents > min(low, high) - OUTLIER_CENTS) & (cents < max(low, high) + OUTLIER_CENTS)
    if used.sum() >= MIN_FRAMES:
        log_weight = log_weight + _log_evidence(slide, time_s[used], cents[used], (low, high))
    if hint is not None:
        log_weight = log_weight + hint
    weight = np.exp(log_weight - log_weight.max())
    keep = weight > 1e-4
    weight = weight[keep] / weight[keep].sum()
    return Slide(slide.start_s[keep], slide.stop_s[keep], slide.skew[keep], weight)


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
    time_s: FloatArray, f0_hz: FloatArray, *, notes: Sequence[Note], shifts: Sequence[float]
) -> list[tuple[Slide, float]]:
    """Every place where the offset changes: the slide, and by how many cents."""
    with np.errstate(invalid="ignore", divide="ignore"):
        cents = 1200 * np.log2(f0_hz / 440.0)
    found: list[tuple[Slide, float]] = []
    for i, (note, shift) in enumerate(zip(notes, shifts, strict=True)):
        follows = i > 0 and note.start_s - notes[i - 1].end_s < ADJACENT_S
        previous = shifts[i - 1] if follows else 0.0
        if shift != previous:
            slide = (
                find_slide(time_s, cents, before=notes[i - 1], after=note)
                if follows
                else _head(note, time_s, cents)
            )
            found.append((slide, shift - previous))
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
