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
from retune.repitch.turns import turning

BLOCK = 32
SLOW_S = 0.2
"""Half width of the mean that takes the vibrato out of pitch and level."""
CENTS_UNIT, WIDTH_UNIT, LEVEL_UNIT, BAND_UNIT = 6.0, 12.0, 2.0, 5.0
BREAK_COST = 20.0
"""The most that a break in the vibrato costs: better one of them than some in every turn."""
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
    found = jumps(_costs(pitch - slow_pitch, level - slow_level, bands), n_out)
    first, second, share = _walk(marks, found, frame)
    steps = (1 - share) * spacing[np.minimum(first, len(spacing) - 1)]
    steps = steps + share * spacing[np.minimum(second, len(spacing) - 1)]
    place = np.concatenate([[0.0], np.cumsum(steps[:-1])])
    even = marks[0] + place / max(place[-1], 1e-9) * (marks[-1] - marks[0])

    def astray(curve: FloatArray) -> FloatArray:
        """How far a slow curve is from its even stretch."""
        own = (1 - share) * np.interp(marks[first], at, curve)
        own += share * np.interp(marks[second], at, curve)
        return np.asarray(np.interp(even, at, curve) - own)

    bend = np.clip(astray(slow_pitch), -MOST_CENTS, MOST_CENTS)
    gain = 10 ** (np.clip(astray(slow_level), -MOST_DB, MOST_DB) / 20)
    steps = steps * 2.0 ** (-bend / 1200)
    kept = _spread(steps, length)
    steps = _fitted(steps[kept[:-1]], length)
    at_out = marks[0] + np.concatenate([[0.0], np.cumsum(steps)])
    return Laid(at_out, first[kept], second[kept], share[kept], gain[kept])


def _costs(sway: FloatArray, swell: FloatArray, bands: FloatArray) -> FloatArray:
    """How unlike each frame is to each other, (n, n): in vibrato, what else is in pitch and level
    beside their slow courses, and colour."""
    turn, quarter_on = turning(sway, FRAME_S)
    colour = (bands - bands.mean(axis=1, keepdims=True)) / np.sqrt(bands.shape[1])
    rest = (
        np.hypot(turn, quarter_on) / WIDTH_UNIT,
        (sway - turn) / CENTS_UNIT,
        swell / LEVEL_UNIT,
        colour / BAND_UNIT * 2,
    )
    return jump_costs(np.column_stack(rest)) + _break_costs(turn, quarter_on)


def _break_costs(turn: FloatArray, quarter_on: FloatArray) -> FloatArray:
    """What it costs to go on elsewhere in the turn of a vibrato, (n, n): for less than a break as
    the square of the way between, and no more than a break where the vibrato is as wide."""
    width = np.hypot(turn, quarter_on)
    apart = jump_costs(np.column_stack([turn, quarter_on]) / CENTS_UNIT)
    apart = np.maximum(apart - jump_costs(width[:, None] / CENTS_UNIT), 0.0)
    share = width / max(float(np.percentile(width, 90)), 1e-9)
    most = BREAK_COST * np.maximum(share[:, None], share) + 1e-9
    return np.asarray(apart * most / (apart + most))


def _spread(steps: FloatArray, length: float) -> Index:
    """Which grains of a walk to lay out, in order, so that it lasts `length`: what is missing or
    too much is single periods sung twice or left out, evenly far apart."""
    place = np.concatenate([[0.0], np.cumsum(steps[:-1])])
    middle = 0.5 * (place[1:] + place[:-1])
    slope = place[-1] / length
    kept, now = [0], float(steps[0])
    while now < length - 0.5 * steps[kept[-1]]:
        kept.append(min(int(np.searchsorted(middle, now * slope)), len(steps) - 2))
        now += steps[kept[-1]]
    return np.array([*kept, len(steps) - 1])


def _fitted(steps: FloatArray, length: float) -> FloatArray:
    """The distances bent, least at both ends, so that they add up to `length`."""
    weight = np.sin(np.pi * (np.arange(len(steps)) + 0.5) / len(steps)) * steps
    missing = length - steps.sum()
    return np.asarray(steps + missing * weight / weight.sum())


def _nearest(marks: FloatArray, at: float) -> int:
    return int(np.argmin(np.abs(marks - at)))


def _walk(
    marks: FloatArray, found: list[tuple[int, int]], frame: float
) -> tuple[Index, Index, FloatArray]:
    """Source marks one after the other through all jumps, from frame to frame; what a jump of
    whole periods is too long or too short by, the next one makes up for."""
    n, late = len(marks), 0.0
    nearest = []
    for i, j in found:
        came = min(_nearest(marks, marks[0] + frame * i), n - 2)
        aim = marks[came + 1] + frame * (j - i - 1) - late
        to = _nearest(marks, aim)
        late = marks[to] - aim
        nearest.append((came, to))
    half = max(round(FADE_FRAMES * frame / (2 * float(np.median(np.diff(marks))))), 1)
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
