"""A vowel made longer or shorter by its own pitch periods.

One grain a period, each laid out where the one before leaves off: epochs and their distances are
those of the voice, so pitch, breath and vibrato stay its own. Where the voice goes back or ahead
(see `loops`) the grains of both places are laid on the same marks and crossfaded. Slow changes of
pitch and level follow the even stretch of the note, so that going back steps in neither.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retune.carriers.heard import FloatArray
from retune.repitch.change import BANDS_HZ, WINDOW_S
from retune.repitch.grains import add_grains, cut_grains, grain_size, half_lengths, shape_grains
from retune.repitch.loops import FADE_FRAMES, FRAME_S, jump_costs, jumps

BLOCK = 32
SLOW_S = 0.2
"""Half width of the mean that takes the vibrato out of pitch and level."""
CENTS_UNIT, LEVEL_UNIT, BAND_UNIT = 12.0, 2.0, 5.0
RANGE_DB = 45.0
MOST_DB, MOST_CENTS = 6.0, 60.0
Index = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Laid:
    """Grains to lay out: `at` their marks in the result; `first` and `second` the source marks
    of each (equal but in a crossfade), `share` of the second; `gain` of both."""

    at: FloatArray
    first: Index
    second: Index
    share: FloatArray
    gain: FloatArray


def lay_out(x: FloatArray, marks: FloatArray, *, rate_hz: int, length: float) -> Laid:
    """The way through `marks` of `x` (n_channels, n_samples) that takes `length` samples from the
    first to the last; the result's first mark is where it was."""
    mono = np.ascontiguousarray(np.mean(x, axis=0))
    spacing = np.diff(marks)
    frame = FRAME_S * rate_hz
    n = max(int((marks[-1] - marks[0]) / frame), 2)
    n_out = max(round(length / frame), 2)
    cents = 1200 * np.log2(rate_hz / np.append(spacing, spacing[-1]))
    at = marks[0] + frame * np.arange(n)
    pitch = np.interp(at, marks, cents)
    bands, level = _levels(mono, at, rate_hz)
    slow_pitch, slow_level = _slow(pitch), _slow(level)
    features = np.column_stack(
        [
            (pitch - slow_pitch) / CENTS_UNIT,
            np.gradient(pitch) / CENTS_UNIT * 3,
            (level - slow_level) / LEVEL_UNIT,
            (bands - bands.mean(axis=1, keepdims=True)) / BAND_UNIT / np.sqrt(bands.shape[1]) * 2,
        ]
    )
    found = jumps(jump_costs(features), n_out)
    nearest = [(_nearest(marks, at[i]), _nearest(marks, at[j])) for i, j in found]
    first, second, share = _walk(len(marks), nearest, spacing, frame, length)
    steps = (1 - share) * spacing[np.minimum(first, len(spacing) - 1)]
    steps = (steps + share * spacing[np.minimum(second, len(spacing) - 1)])[:-1]
    place = np.concatenate([[0.0], np.cumsum(steps)])
    even = marks[0] + place / max(place[-1], 1e-9) * (marks[-1] - marks[0])

    def astray(curve: FloatArray) -> FloatArray:
        """How far a slow curve is from its even stretch."""
        own = (1 - share) * np.interp(marks[first], at, curve)
        own += share * np.interp(marks[second], at, curve)
        return np.asarray(np.interp(even, at, curve) - own)

    bend = np.clip(astray(slow_pitch), -MOST_CENTS, MOST_CENTS)
    steps = steps * 2.0 ** (-0.5 * (bend[1:] + bend[:-1]) / 1200)
    steps = _fitted(steps, length)
    gain = 10 ** (np.clip(astray(slow_level), -MOST_DB, MOST_DB) / 20)
    return Laid(marks[0] + np.concatenate([[0.0], np.cumsum(steps)]), first, second, share, gain)


def _fitted(steps: FloatArray, length: float) -> FloatArray:
    """The distances bent, least at both ends, so that they add up to `length`."""
    weight = np.sin(np.pi * (np.arange(len(steps)) + 0.5) / len(steps)) * steps
    missing = length - steps.sum()
    return np.asarray(steps + missing * weight / weight.sum())


def _nearest(marks: FloatArray, at: float) -> int:
    return int(np.argmin(np.abs(marks - at)))


def _walk(
    n: int, nearest: list[tuple[int, int]], spacing: FloatArray, frame: float, length: float
) -> tuple[Index, Index, FloatArray]:
    """Source marks one after the other through all jumps; the last jump is chosen anew so that
    the whole comes nearest to `length`."""
    nearest = _exact(n, nearest, spacing, length)
    half = max(round(FADE_FRAMES * frame / (2 * float(np.median(spacing)))), 1)
    runs = _runs(n, nearest)
    first = np.concatenate([np.arange(a, b) for a, b in runs])
    second, share = first.copy(), np.zeros(len(first))
    ends = np.cumsum([b - a for a, b in runs])
    for k, end in enumerate(ends[:-1]):
        room = min(half, (runs[k][1] - runs[k][0]) // 2, (runs[k + 1][1] - runs[k + 1][0]) // 2)
        for step in range(-room, room):
            here = int(end) + step
            before, after = runs[k][1] + step, runs[k + 1][0] + step
            first[here] = min(max(before, 0), n - 1)
            second[here] = min(max(after, 0), n - 1)
            share[here] = 0.5 - 0.5 * np.cos(np.pi * (step + room + 0.5) / (2 * room))
    return first.astype(np.int64), second.astype(np.int64), share


def _runs(n: int, nearest: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Stretches [a, b) of marks between jumps."""
    starts = [0, *(to for _, to in nearest)]
    stops = [*(came + 1 for came, _ in nearest), n]
    return [(a, b) for a, b in zip(starts, stops, strict=True) if b > a]


def _exact(
    n: int, nearest: list[tuple[int, int]], spacing: FloatArray, length: float
) -> list[tuple[int, int]]:
    if not nearest:
        return nearest
    total = np.concatenate([[0.0], np.cumsum(spacing)])
    sung = sum(total[b - 1] - total[a] for a, b in _runs(n, nearest))
    sung += sum(spacing[min(came, n - 2)] for came, _ in nearest)
    came, to = nearest[-1]
    wanted = total[min(to, n - 1)] + sung - length
    to = int(np.clip(np.argmin(np.abs(total - wanted)), 0, n - 1))
    return [*nearest[:-1], (came, to)]


def _slow(curve: FloatArray) -> FloatArray:
    """The curve without its vibrato: a Hann-weighted mean over twice SLOW_S, the ends held by
    mirroring the curve about them, so that a slope stays a slope."""
    reach = min(round(SLOW_S / FRAME_S), len(curve) - 1)
    if reach < 1:
        return curve
    head = 2 * curve[0] - curve[reach:0:-1]
    tail = 2 * curve[-1] - curve[-2 : -reach - 2 : -1]
    kernel = np.hanning(2 * reach + 3)[1:-1]
    padded = np.concatenate([head, curve, tail])
    return np.asarray(np.convolve(padded, kernel / kernel.sum(), mode="valid"))


def _levels(x: FloatArray, centres: FloatArray, rate_hz: int) -> tuple[FloatArray, FloatArray]:
    """Level of each band about each centre, dB (n, n_bands), and of all together (n,)."""
    size = max(int(2 * WINDOW_S * rate_hz), 16)
    padded = np.pad(x, size)
    first = np.round(centres).astype(np.int64) + size - size // 2
    frames = padded[np.clip(first, 0, len(padded) - size)[:, None] + np.arange(size)]
    power = np.abs(np.fft.rfft(frames * np.hanning(size), axis=1)) ** 2
    edges = np.searchsorted(np.fft.rfftfreq(size, 1 / rate_hz), BANDS_HZ)
    edges = np.unique(np.minimum(edges, power.shape[1] - 1))
    bands = np.add.reduceat(power, edges, axis=1)
    db = 10 * np.log10(bands + 1e-12)
    level = 10 * np.log10(bands.sum(axis=1) + 1e-12)
    return np.maximum(db, level.max() - RANGE_DB), np.asarray(level)


def sing(
    out: FloatArray, x: FloatArray, marks: FloatArray, laid: Laid, *, shift: float, rate_hz: int
) -> None:
    """Add the grains of `x` to `out`, `shift` samples from where they are laid."""
    before, after = half_lengths(marks)
    gap = np.diff(laid.at)
    around = np.append(before[laid.first[0]], gap) + np.append(gap, after[laid.first[-1]])
    for source, weight in ((laid.first, 1 - laid.share), (laid.second, laid.share)):
        used = np.flatnonzero(weight > 0)
        own = (before + after)[source]
        gain = weight * laid.gain * np.sqrt(around / own)
        at = laid.at + shift
        for begin in range(0, len(used), BLOCK):
            now = used[begin : begin + BLOCK]
            low, high = int(source[now].min()), int(source[now].max()) + 1
            high = min(max(high, low + 2), len(marks))
            low = min(low, high - 2)
            part = slice(low, high)
            size = grain_size(before[part], after[part])
            grains = cut_grains(x, marks[part], before=before[part], after=after[part], size=size)
            whole = np.floor(at[now]).astype(np.int64)
            made = shape_grains(
                grains,
                rate_hz=rate_hz,
                sources=(source[now] - low).astype(np.float64),
                amount=np.zeros(len(now)),
                gain=gain[now],
                delay=at[now] - whole,
            )
            add_grains(out, made, whole)
