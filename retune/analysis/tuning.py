"""How far a stem lies from A4 = 440 Hz, and how that drifts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from retune.carriers.heard import FloatArray

# A singer's drift: this many cents a second (standard deviation) is easily followed.
DRIFT_CENTS = 4.0
GRID_CENTS = 2.0
# Beyond this a deviation is a wrong note or a blue one, no news about tuning.
ROBUST_CENTS = 20.0


def offset_of(midi: Sequence[float] | FloatArray, weight: Sequence[float] | FloatArray) -> float:
    """The common offset of pitches from whole MIDI numbers, in cents within (-50, 50].

    The weighted circular mean, refined by the weighted median around it."""
    pitches, weights = np.asarray(midi, np.float64), np.asarray(weight, np.float64)
    if not len(pitches) or weights.sum() <= 0:
        return 0.0
    mean = np.sum(weights * np.exp(2j * np.pi * pitches))
    centre = float(np.angle(mean) / (2 * np.pi))
    away = pitches - centre
    away = away - np.round(away)
    near = np.abs(away) < 0.35
    if near.any():
        centre += float(np.average(away[near], weights=weights[near]))
    cents = 100.0 * (centre - round(centre))
    return cents if cents > -50.0 else cents + 100.0


def follow_drift(
    midi: Sequence[float], *, at_s: Sequence[float], weight: Sequence[float], start_cents: float
) -> FloatArray:
    """The offset of each note, followed through a slow drift; cents, (n,).

    The path through a grid of offsets that keeps notes near whole MIDI numbers (by bounded
    squares) and moves little from note to note (squares over DRIFT_CENTS per root second). It may
    wander more than a semitone in all. Its mean over the notes stays near `start_cents`.
    """
    pitches, times = np.asarray(midi, np.float64), np.asarray(at_s, np.float64)
    weights = np.asarray(weight, np.float64)
    n = len(pitches)
    if n < 4:
        return np.full(n, start_cents)
    grid = start_cents + np.arange(-120.0, 120.0 + GRID_CENTS, GRID_CENTS)
    away = 100 * pitches[:, None] - grid[None, :]
    away = away - 100 * np.round(away / 100)
    cost = 0.5 * np.minimum(np.abs(away) / ROBUST_CENTS, 1.6) ** 2
    cost *= np.clip(weights / 0.4, 0.1, 2.0)[:, None]
    steps = np.maximum(np.diff(times), 0.05)
    jump = 0.5 * (grid[:, None] - grid[None, :]) ** 2
    total, back = cost[0] + 0.5 * ((grid - start_cents) / 60.0) ** 2, np.zeros((n, len(grid)), int)
    for i in range(1, n):
        choice = total[None, :] + jump / (DRIFT_CENTS**2 * steps[i - 1])
        back[i] = np.argmin(choice, axis=1)
        total = np.min(choice, axis=1) + cost[i]
    path = [int(np.argmin(total))]
    for i in range(n - 1, 0, -1):
        path.append(int(back[i, path[-1]]))
    followed: FloatArray = grid[np.array(path[::-1])]
    return followed
