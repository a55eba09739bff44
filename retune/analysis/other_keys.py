"""Long stretches that sound in another key than the song's: told, and never used unasked, but that
a song in two keys has its name by the first."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from retune.analysis.chord_listen import best_path
from retune.analysis.key import SUREST, FoundKey, histogram, keys_by_chance
from retune.analysis.work import Work
from retune.carriers.heard import FloatArray, Key, KeySpan
from retune.carriers.text import estimated_text
from retune.theory.keys import tonic_pc
from retune.theory.signature import key_fifths

# A stretch is heard in windows of this length, half over one another, and told from two on.
WINDOW_S, STEP_S, FEWEST = 20.0, 10.0, 2
# Its windows must be as sure of the other key as this, on average.
SURE = 0.8
# What a change of key costs in log odds, and the least chance a key has in a window (common
# practice, no source: a key is kept for long).
CHANGE, LEAST = 3.0, 0.01


@dataclass(frozen=True)
class Stretch:
    """From when to when another key is heard, and how sure that is (0 to 1)."""

    start_s: float
    end_s: float
    key: Key
    confidence: float


def tell_other_keys(work: Work, keys: tuple[KeySpan, ...]) -> None:
    """Warn of every long stretch in a key that is neither the song's nor shares its notes or its
    tonic. Where changes of key are given, nothing is told."""
    if len(keys) != 1 or not work.listened.is_accompanied:
        return
    for found in other_keys(work, keys[0].key):
        work.warnings.append(
            f"from {found.start_s:.0f} to {found.end_s:.0f} s the key may be {found.key} "
            f"({estimated_text(found.confidence)}); degrees there count {keys[0].key} all the "
            'same: give keys = [["bar:beat", "key"], ...] where it changes'
        )


def begun_in(work: Work, found: FoundKey) -> FoundKey:
    """The key that a song begins in, where it stays there about as long as it lasts afterwards: a
    song whose key is raised keeps the name of its first (common practice, no source)."""
    if found.key is None or not work.listened.is_accompanied:
        return found
    first = next(iter(other_keys(work, found.key)), None)
    if first is None or first.start_s > 0:
        return found
    left_s = work.listened.duration_s - first.end_s
    if not STEP_S <= left_s <= first.end_s + STEP_S:
        return found
    return FoundKey(first.key, first.confidence, found.key)


def halves_at_home(work: Work, home: Key) -> list[FloatArray]:
    """Weight of each pitch class in either half of the notes that begin where no other key is
    heard."""
    others = other_keys(work, home) if work.listened.is_accompanied else ()
    edges = [0.0, *(t for found in others for t in (found.start_s, found.end_s)), math.inf]
    spans = zip(edges[::2], edges[1::2], strict=True)
    notes = [note for span in spans for note in work.timed_notes(*span)]
    middle_s = float(np.median([start_s for start_s, _, _ in notes])) if notes else 0.0
    return [
        histogram(*zip(*part, strict=True))
        for is_late in (False, True)
        if (part := [(n, w) for start_s, n, w in notes if (start_s >= middle_s) == is_late])
    ]


def other_keys(work: Work, home: Key) -> tuple[Stretch, ...]:
    """The stretches, in order of time: runs of one key in the likeliest sequence of keys."""
    windows = _windows(work)
    if not windows:
        return ()
    chances = np.array([[chance for _, chance in keys] for _, keys in windows])
    path = best_path(np.log(np.maximum(chances, LEAST)), np.full(len(chances), CHANGE))
    stretches = []
    for state, run in groupby(range(len(path)), key=lambda k: path[k]):
        rows = list(run)
        key, sure = windows[0][1][state][0], float(chances[rows, state].mean())
        if len(rows) < FEWEST or sure < SURE or _is_near(key, home):
            continue
        end_s = min(windows[rows[-1]][0] + WINDOW_S, work.listened.duration_s)
        told = round(min(sure, SUREST), 3)
        stretches.append(Stretch(windows[rows[0]][0], end_s, key, told))
    return tuple(stretches)


def _windows(work: Work) -> list[tuple[float, list[tuple[Key, float]]]]:
    """When each window begins that is not silent, and how likely each key is there; told once of
    the same notes."""
    return work.listened.last(
        ("keys within",),
        tuple(work.timed_notes()),
        lambda: [
            (at_s, keys)
            for at_s in _starts(work.listened.duration_s)
            if (keys := _keys_within(work, at_s))
        ],
    )


def _starts(duration_s: float) -> Iterator[float]:
    """Where the windows begin."""
    count = int((duration_s - WINDOW_S) // STEP_S) + 1
    return (STEP_S * k for k in range(max(0, count)))


def _keys_within(work: Work, start_s: float) -> list[tuple[Key, float]]:
    """How likely each key is in one window, by all that sounds in it; none in silence."""
    end_s = start_s + WINDOW_S
    harmony = work.listened.harmony(start_s, end_s)
    if harmony is None:
        return []
    notes = work.named_notes(start_s, end_s)
    return keys_by_chance([n for n, _ in notes], [w for _, w in notes], harmony=harmony)


def _is_near(key: Key, home: Key) -> bool:
    """Whether a key is the song's own, or has its notes or its tonic."""
    return key_fifths(key) == key_fifths(home) or tonic_pc(key) == tonic_pc(home)
