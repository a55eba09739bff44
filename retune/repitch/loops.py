"""Which parts of a vowel to sing again, or to leave out, so that it lasts as long as it should.

A singer who holds a note longer sings more of the same: the vibrato goes on at its own rate, the
breath goes on rushing. So the voice is played at its own speed, and from time to time it goes back
a little (or ahead), from one place to another like it: by whole turns of the vibrato where there
is one. Which places those are is a shortest path: jumps cost by how unlike the two places are, and
being far from where an even stretch would be costs too, so that a vowel that changes keeps its
course.
"""

from __future__ import annotations

import numpy as np

from retune.carriers.heard import FloatArray
from retune.sound.compiled import compiled

FRAME_S = 0.005
FADE_FRAMES = 8  # a jump is crossfaded over this, and no other begins before it is over
SHORTEST_FRAMES, LONGEST_FRAMES = 8, 80
ALIKE_FRAMES = 5
FAR_FRAMES = 40.0
BAND_FRAMES = 100
JUMP_COST = 1.5
FAR_COST = 0.1
MOST_SPREAD, SPREAD_UNIT = 0.02, 0.01
"""By what share of its length the best way may miss it, to be made up for evenly, and the share
that costs 1."""


def jump_costs(features: FloatArray) -> FloatArray:
    """How unlike going on from frame i is to going on from frame j, (n, n): the mean squared
    distance of `features` (n, d), about the two."""
    ahead = np.vstack([features[1:], features[-1:]])
    return _along_diagonals(_squares(ahead, features), ALIKE_FRAMES)


@compiled
def _squares(first: FloatArray, second: FloatArray) -> FloatArray:
    """Squared distances, summed in one fixed order (a matrix product may add up differently)."""
    n, width = first.shape
    out = np.zeros((n, n))
    for i in range(n):
        for j in range(n):
            for k in range(width):
                out[i, j] += (first[i, k] - second[j, k]) ** 2
    return out


@compiled
def _along_diagonals(square: FloatArray, reach: int) -> FloatArray:
    n = square.shape[0]
    out = np.zeros((n, n))
    for i in range(n):
        for j in range(n):
            total, count = 0.0, 0
            for k in range(-reach, reach + 1):
                if 0 <= i + k < n and 0 <= j + k < n:
                    total += square[i + k, j + k]
                    count += 1
            out[i, j] = total / count
    return out


@compiled
def _shortest(
    costs: FloatArray, n_out: int, n_most: int, fade: int
) -> tuple[FloatArray, FloatArray]:
    """Least cost of standing at each frame after so many, and from where a jump landed there (its
    last frame before the jump, -1 for none); two arrays (n_most, n). A note that is to last longer
    only ever goes back, a shorter one only ahead."""
    n = costs.shape[0]
    best = np.full((n_most, n), np.inf)
    origin = np.full((n_most, n), -1.0)
    best[0, 0] = 0.0
    slope = (n - 1) / max(n_out - 1, 1)
    for t in range(1, n_most):
        middle = int(t * slope)
        for s in range(max(middle - BAND_FRAMES, 0), min(middle + BAND_FRAMES + 1, n)):
            value, came = np.inf, -1.0
            if s > 0:
                value = best[t - 1, s - 1]
            lands = s - fade
            if t > fade and lands >= 0:
                low, high = lands - LONGEST_FRAMES, lands - SHORTEST_FRAMES
                if n_out > n:
                    low, high = lands + SHORTEST_FRAMES, lands + LONGEST_FRAMES
                for i in range(max(low, 0), min(high, n - 1)):
                    tried = best[t - fade - 1, i] + JUMP_COST + costs[i, lands]
                    if tried < value:
                        value, came = tried, float(i)
            far = (s - t * slope) / FAR_FRAMES
            best[t, s] = value + FAR_COST * far * far
            origin[t, s] = came
    return best, origin


def jumps(costs: FloatArray, n_out: int) -> list[tuple[int, int]]:
    """(from, to) for each jump, in order, of the best way through all frames in about `n_out`."""
    n = costs.shape[0]
    most = int(MOST_SPREAD * n_out)
    best, origin = _shortest(costs, n_out, n_out + most, FADE_FRAMES)
    lasting = np.arange(n_out - most, n_out + most + 1)
    off = (lasting / n_out - 1) / SPREAD_UNIT
    ends = best[lasting - 1, -1] + off**2
    if not np.isfinite(ends).any():
        return _even_jumps(n, n_out)
    found: list[tuple[int, int]] = []
    t, s = int(lasting[np.argmin(ends)]) - 1, n - 1
    while t > 0:
        came = int(origin[t, s])
        if came >= 0:
            found.append((came, s - FADE_FRAMES))
            t, s = t - FADE_FRAMES - 1, came
        else:
            t, s = t - 1, s - 1
    return found[::-1]


def _even_jumps(n: int, n_out: int) -> list[tuple[int, int]]:
    """One jump in the middle, for a vowel too short to choose in."""
    missing = n_out - n
    middle = n // 2
    if missing == 0:
        return []
    if missing < 0:
        first = max((n + missing) // 2, 0)
        return [(first, min(first + 1 - missing, n - 1))]
    back = max(middle, 1)
    times, rest = divmod(missing, back)
    return [(middle, middle + 1 - back)] * times + ([(middle, middle + 1 - rest)] if rest else [])
