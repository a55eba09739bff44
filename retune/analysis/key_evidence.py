"""What speaks for each key where harmony is heard: all of it by steps over its tonic, weighed.

Evidence is told for every tonic alike, turned so that it begins with the tonic, and its weights
(retune/analysis/key_weights.py) for major and minor are those of a conditional logit, fitted by
tests/bench/fit_key.py.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

import numpy as np

from retune.analysis.key_harmony import N_KINDS, Harmony
from retune.analysis.key_weights import WEIGHTS
from retune.carriers.heard import FloatArray
from retune.theory.profiles import profile_correlations

MODES = ("major", "minor")
# The pitch class at each step over each tonic, (tonic, step).
OVER = (np.arange(12)[:, None] + np.arange(12)) % 12
PROFILE = "kostka-payne"
_CHORDS = ("major", "minor", "seventh", "diminished")
# Chords that lead home are told by kind, and by what home is.
_LEADING, _HOMES = (0, 1, 2), {"major": (0, 2), "minor": (1,)}


def key_odds(notes: FloatArray, last: int | None, harmony: Harmony) -> FloatArray:
    """Log odds of each key, (2 modes, 12 tonics), by the weights of the notes' pitch classes
    (12,), the pitch that the melody of a whole song ends on, and what sounds."""
    told = evidence(notes, last, harmony)
    return np.asarray(np.einsum("mkn,mn->mk", told, _table()))


@cache
def _table() -> FloatArray:
    """The weights of either mode, (2, n)."""
    return np.array([[w for rows in WEIGHTS.values() for w in rows[k]] for k in range(len(MODES))])


def evidence(notes: FloatArray, last: int | None, harmony: Harmony) -> FloatArray:
    """What there is for each key, (2 modes, 12 tonics, n)."""
    return np.concatenate([part for _, part in _told(notes, last, harmony)], axis=2)


def names() -> list[tuple[str, int]]:
    """What evidence is called, in its order, and how many numbers each has."""
    silent, chords = np.zeros(12), np.zeros((N_KINDS, 12))
    moves = np.zeros((12, 12, N_KINDS, N_KINDS))
    nothing = Harmony(
        silent,
        silent,
        silent,
        silent,
        silent,
        chords=chords,
        first=chords,
        last=chords,
        moves=moves,
    )
    return [(name, part.shape[2]) for name, part in _told(silent, None, nothing)]


def _told(
    notes: FloatArray, last: int | None, harmony: Harmony
) -> Iterator[tuple[str, FloatArray]]:
    """Each kind of evidence, (2 modes, 12 tonics, how many)."""
    yield "notes by profile", _by_profile(notes)
    yield "sound by profile", _by_profile(harmony.chroma)
    yield "minor", np.broadcast_to(np.array([0.0, 1.0])[:, None, None], (2, 12, 1))
    ends_on = np.zeros(12)
    if last is not None:
        ends_on[last % 12] = 1.0
    yield "notes", _turned(notes / max(float(notes.sum()), 1e-9))
    yield "last note", _turned(ends_on)
    yield "sound", _turned(harmony.chroma)
    yield "last sound", _turned(harmony.last_chroma)
    yield "bass", _turned(harmony.bass)
    yield "first bass", _turned(harmony.first_bass)
    yield "last bass", _turned(harmony.last_bass)
    for kind, name in enumerate(_CHORDS):
        yield f"{name} chords", _turned(harmony.chords[kind])
        yield f"first chord {name}", _turned(harmony.first[kind])
        yield f"last chord {name}", _turned(harmony.last[kind])
    yield from _moves(harmony.moves)


def _moves(moves: FloatArray) -> Iterator[tuple[str, FloatArray]]:
    """From which chords a key's tonic and its fifth are come to, and to which the tonic goes."""
    turned = moves[OVER[:, :, None], OVER[:, None, :]]  # tonic, from, to, kind, kind
    for kind in _LEADING:
        for mode, homes in _HOMES.items():
            led = turned[:, :, 0, kind][:, :, list(homes)].sum(axis=2)
            yield f"{_CHORDS[kind]} chords to a {mode} tonic", _both(led)
    yield "to the fifth", _both(turned[:, :, 7, :3].sum(axis=(2, 3)))
    yield "from the tonic", _both(turned[:, 0].sum(axis=(2, 3)))


def _by_profile(counts: FloatArray) -> FloatArray:
    """How well a key's profile fits; 0 where nothing sounds."""
    fits = [
        np.nan_to_num(profile_correlations(counts, profile=PROFILE, minor=mode == "minor"))
        for mode in MODES
    ]
    return np.stack(fits)[:, :, None]


def _turned(weights: FloatArray) -> FloatArray:
    """Weights of pitch classes as those of the steps over each tonic."""
    return _both(weights[OVER])


def _both(told: FloatArray) -> FloatArray:
    """What is told of either mode alike."""
    return np.broadcast_to(told, (2, *told.shape))
