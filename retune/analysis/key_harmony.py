"""What the harmony of a song says of its key: chords heard without bars, and how they move.

A dominant that falls to its tonic, and the chords a song begins and ends on, speak for a key as
pitch classes alone do not (common practice; weights fitted on songs).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import groupby, pairwise

import numpy as np

from retune.analysis.chord_listen import best_path
from retune.analysis.chord_templates import CHANGE_COST, QUALITIES, chord_scores
from retune.analysis.chroma import HOP_S, Spectra
from retune.carriers.heard import FloatArray

STEP_S = 0.5
MODES = ("major", "minor")
# How much a chord on each step of a key speaks for it.
AT_HOME: Mapping[str, Mapping[tuple[int, str], float]] = {
    "major": {
        (0, "maj"): 1.0, (0, "maj7"): 1.0, (7, "maj"): 0.8, (7, "7"): 1.0, (5, "maj"): 0.6,
        (5, "maj7"): 0.6, (2, "min"): 0.4, (2, "min7"): 0.5, (9, "min"): 0.4, (9, "min7"): 0.4,
        (4, "min"): 0.2, (11, "dim"): 0.5, (11, "hdim7"): 0.6,
    },
    "minor": {
        (0, "min"): 1.0, (0, "min7"): 0.8, (7, "maj"): 0.8, (7, "7"): 1.0, (7, "min"): 0.3,
        (5, "min"): 0.6, (5, "min7"): 0.5, (8, "maj"): 0.4, (8, "maj7"): 0.4, (3, "maj"): 0.4,
        (10, "maj"): 0.3, (10, "7"): 0.2, (2, "dim"): 0.4, (2, "hdim7"): 0.6, (11, "dim"): 0.5,
    },
}  # fmt: skip
# In log odds; see OF_NOTES in retune/analysis/key.py.
OF_CHORDS, OF_CADENCES, OF_LAST, OF_FIRST = 8.4, 1.0, 2.5, 1.6
MAJOR_CHORDS = ("maj", "7", "maj7")


@dataclass(frozen=True, eq=False)
class Harmony:
    """Weight of each pitch class (12,), and by mode the log odds that chords give each
    key (12,)."""

    chroma: FloatArray
    keys: Mapping[str, FloatArray]


def harmony_of(spectra: Spectra) -> Harmony | None:
    """What sounds speaks for which key; None in silence."""
    times = np.arange(0.0, len(spectra.fine) * HOP_S, STEP_S)
    if len(times) < 4:
        return None
    heard = spectra.tones(times)
    if heard.power.max(initial=0.0) <= 0:
        return None
    score = chord_scores(heard)
    names = [(root, quality) for quality in QUALITIES for root in range(12)]
    path = [k for k in best_path(score, np.full(len(score), CHANGE_COST)) if k < len(names)]
    chroma = (np.sqrt(heard.chroma) * np.sqrt(heard.power)[:, None]).sum(axis=0)
    if not path:
        return None
    runs = [names[k] for k, _ in groupby(path)]
    keys = {mode: OF_CHORDS * _at_home([names[k] for k in path], mode) for mode in MODES}
    falls = [(a, b) for a, b in pairwise(runs) if _is_cadence(a, b)]
    for _, (root, quality) in falls:
        keys[_mode(quality)][root] += OF_CADENCES / len(falls)
    for (root, quality), weight in ((runs[-1], OF_LAST), (runs[0], OF_FIRST)):
        keys[_mode(quality)][root] += weight
    return Harmony(chroma, keys)


def _at_home(chords: list[tuple[int, str]], mode: str) -> FloatArray:
    result = np.zeros(12)
    for (step, quality), weight in AT_HOME[mode].items():
        for root, other in chords:
            if other == quality:
                result[(root - step) % 12] += weight
    return result / len(chords)


def _is_cadence(a: tuple[int, str], b: tuple[int, str]) -> bool:
    return (a[0] - b[0]) % 12 == 7 and a[1] in ("maj", "7")


def _mode(quality: str) -> str:
    return "major" if quality in MAJOR_CHORDS else "minor"
