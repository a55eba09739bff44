"""What the harmony of a song says of its key: chords heard without bars, how they move, the bass.

A dominant that falls to its tonic, and the chords a song begins and ends on, speak for a key as
pitch classes alone do not (common practice); how much each says is fitted on songs
(retune/analysis/key_weights.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby, pairwise

import numpy as np

from retune.analysis.chord_listen import best_path
from retune.analysis.chord_templates import CHANGE_COST, QUALITIES, chord_scores
from retune.analysis.chroma import HOP_S, Sounding, Spectra
from retune.carriers.heard import FloatArray

STEP_S = 0.5
# Kinds of chords that speak alike: major ones, minor ones, dominant sevenths, diminished ones.
KINDS = {"maj": 0, "maj7": 0, "min": 1, "min7": 1, "7": 2, "dim": 3, "hdim7": 3}
N_KINDS = 4
# Spans this far below the loudest, in power, are not a song's first or last; so many are.
ENDS, N_ENDS = 10**-3.0, 4
Heard = tuple[int, str]


@dataclass(frozen=True, eq=False)
class Harmony:
    """What sounds, in shares that sum to 1.

    Attributes
    ----------
    chroma, bass
        Weight of each pitch class in all that sounds and in its low tones, (12,).
    first_bass, last_bass, last_chroma
        The same where a song begins and ends; 0 in a part of one.
    chords
        Share of the time of each kind of chord on each root, (N_KINDS, 12).
    first, last
        1 for the chord that a song begins and ends with, (N_KINDS, 12); 0 in a part of one.
    moves
        Share of the changes from a root to a root, and from a kind to a kind,
        (12, 12, N_KINDS, N_KINDS).
    """

    chroma: FloatArray
    bass: FloatArray
    first_bass: FloatArray
    last_bass: FloatArray
    last_chroma: FloatArray
    chords: FloatArray
    first: FloatArray
    last: FloatArray
    moves: FloatArray


def harmony_of(spectra: Spectra, *, is_whole: bool = True) -> Harmony | None:
    """What there is to tell a key by, in a whole song or in a part of one; None in silence."""
    times = np.arange(0.0, len(spectra.fine) * HOP_S, STEP_S)
    if len(times) < 4:
        return None
    heard = spectra.tones(times)
    if heard.power.max(initial=0.0) <= 0:
        return None
    names = [(root, quality) for quality in QUALITIES for root in range(12)]
    chosen = best_path(chord_scores(heard), np.full(len(times) - 1, CHANGE_COST))
    path = [names[k] for k in chosen if k < len(names)]
    if not path:
        return None
    runs = [chord for chord, _ in groupby(path)]
    loud = np.flatnonzero(heard.power > heard.power.max() * ENDS)
    begin, end = (loud[:N_ENDS], loud[-N_ENDS:]) if is_whole else (loud[:0], loud[:0])
    return Harmony(
        _sum(heard, heard.chroma),
        _sum(heard, heard.bass),
        _shares(np.sqrt(heard.bass[begin]).sum(axis=0)),
        _shares(np.sqrt(heard.bass[end]).sum(axis=0)),
        _shares(np.sqrt(heard.chroma[end]).sum(axis=0)),
        _counted(path),
        _counted(runs[:1] if is_whole else []),
        _counted(runs[-1:] if is_whole else []),
        _moves(runs),
    )


def _sum(heard: Sounding, weights: FloatArray) -> FloatArray:
    return _shares((np.sqrt(weights) * np.sqrt(heard.power)[:, None]).sum(axis=0))


def _shares(weights: FloatArray) -> FloatArray:
    total = float(weights.sum())
    return np.asarray(weights / total if total > 0 else weights)


def _counted(chords: list[Heard]) -> FloatArray:
    counts = np.zeros((N_KINDS, 12))
    for root, quality in chords:
        counts[KINDS[quality], root] += 1
    return _shares(counts)


def _moves(runs: list[Heard]) -> FloatArray:
    counts = np.zeros((12, 12, N_KINDS, N_KINDS))
    for (root, quality), (other, after) in pairwise(runs):
        counts[root, other, KINDS[quality], KINDS[after]] += 1
    return _shares(counts)
