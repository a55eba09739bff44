"""How well chords fit what sounds, roughly, by templates: for asking about many rows of beats."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

import numpy as np

from retune.analysis.chroma import Sounding
from retune.carriers.heard import FloatArray

QUALITIES: Mapping[str, tuple[tuple[int, float], ...]] = {
    "maj": ((0, 1.0), (4, 0.9), (7, 0.8)),
    "min": ((0, 1.0), (3, 0.9), (7, 0.8)),
    "7": ((0, 1.0), (4, 0.8), (7, 0.6), (10, 0.7)),
    "min7": ((0, 1.0), (3, 0.8), (7, 0.6), (10, 0.7)),
    "maj7": ((0, 1.0), (4, 0.8), (7, 0.6), (11, 0.7)),
    "hdim7": ((0, 1.0), (3, 0.8), (6, 0.8), (10, 0.7)),
    "dim": ((0, 1.0), (3, 0.9), (6, 0.9)),
}
# In units of correlation per beat, fitted on half the songs of tests/bench/bench_time.py.
RARE = {"maj": 0.0, "min": 0.0, "7": 0.03, "min7": 0.07, "maj7": 0.1, "hdim7": 0.09, "dim": 0.07}
BASS_WEIGHT = 0.5
BASS_TONES = ((0, 1.0), (1, 0.4), (2, 0.4))  # root, third, fifth
# What a change of chord costs in these units.
CHANGE_COST = 0.2
# Spans this far below the loud ones have no chord.
SILENT_DB = 35.0
NO_CHORD, NO_CHORD_WHEN_QUIET = 0.1, 0.8


def chord_scores(heard: Sounding) -> FloatArray:
    """How well each chord fits each span, (n_spans, n_chords + 1); the last column is for none."""
    templates, basses = _templates()
    score = deviations(heard.chroma) @ templates.T
    score += BASS_WEIGHT * deviations(heard.bass) @ basses.T
    score -= np.repeat([RARE[q] for q in QUALITIES], 12)
    quiet = is_quiet(heard)
    score[quiet] = 0.0
    return np.column_stack((score, np.where(quiet, NO_CHORD_WHEN_QUIET, NO_CHORD)))


def is_quiet(heard: Sounding) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """In which spans there is hardly a sound."""
    return np.asarray(heard.power < heard.power.max() * 10 ** (-SILENT_DB / 10))


def deviations(chroma: FloatArray) -> FloatArray:
    """How far the root of each weight lies from their mean, each row of length 1."""
    return _unit(np.sqrt(chroma))


@cache
def _templates() -> tuple[FloatArray, FloatArray]:
    rows, basses = [], []
    for tones in QUALITIES.values():
        for root in range(12):
            row, bass = np.zeros(12), np.zeros(12)
            for step, weight in tones:
                row[(root + step) % 12] = weight
            for which, weight in BASS_TONES:
                bass[(root + tones[which][0]) % 12] = weight
            rows.append(row)
            basses.append(bass)
    return _unit(np.array(rows)), _unit(np.array(basses))


def _unit(rows: FloatArray) -> FloatArray:
    apart = rows - rows.mean(axis=1, keepdims=True)
    return np.asarray(apart / np.maximum(np.linalg.norm(apart, axis=1, keepdims=True), 1e-9))
