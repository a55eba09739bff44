"""Chords heard where no chart is given: never better than "estimated", and how sure beside each.

What sounds in each beat, and how low, against templates of chords; the likeliest sequence by
dynamic programming, with chords of the key and changes on strong beats favoured; how sure by the
forward-backward sums over all sequences (Cho & Bello 2014, "On the relative importance of
individual components of chord recognition systems", from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from itertools import groupby

import numpy as np

from retune.analysis.bars import beats_at, seconds_at
from retune.analysis.chroma import Sounding, Spectra
from retune.carriers.heard import Bars, Chord, FloatArray, Key
from retune.song.chart import merged
from retune.theory.chords import is_no_chord, parse_chord, with_bass
from retune.theory.keys import scale_semitones, tonic_pc
from retune.theory.spelling import spell_pitch_class

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
CHANGE_COST = 0.2
OFF_BAR_COST = 0.05
FOREIGN_COST = 0.06
# Correlations over this are odds: fitted so that of the chords told .9 nine in ten are right.
SPREAD = 0.06
# Beats this far below the loud ones have no chord.
SILENT_DB = 35.0
NO_CHORD, NO_CHORD_WHEN_QUIET = 0.1, 0.8
# A chord stands on its third or fifth where that sounds this much stronger in the bass.
INVERTED = 2.0


def listen_for_chords(
    spectra: Spectra,
    *,
    bars: Bars,
    key_at: Callable[[float], Key | None],
    duration_s: float,
) -> tuple[Chord, ...]:
    """Chords of a sound by its spectra, one a beat at most, `estimated` set and `confidence` told;
    () when all is silent."""
    if len(bars.downbeats_s) < 2 or not len(spectra.fine):
        return ()
    first = int(np.floor(float(beats_at(0.0, bars)) + 1e-6))
    last = int(np.ceil(float(beats_at(duration_s, bars)) - 1e-6))
    times = np.array([max(0.0, seconds_at(b, bars)) for b in range(first, last + 1)])
    times = times[np.concatenate(([True], np.diff(times) > 1e-3))]
    heard = spectra.tones(times)
    if not len(heard.power) or heard.power.max(initial=0.0) <= 0:
        return ()
    keys = [key_at(float(t)) for t in times[:-1]]
    score = chord_scores(heard, keys)
    strong = np.array([round(float(beats_at(t, bars))) % bars.beats_per_bar == 0 for t in times])
    cost = CHANGE_COST + np.where(strong[:-1], 0.0, OFF_BAR_COST)
    path, sure = best_path(score, cost), path_odds(score / SPREAD, cost / SPREAD)
    return merged(list(_chords(path, sure, times, keys, heard)))


def _chords(
    path: Sequence[int],
    sure: FloatArray,
    times: FloatArray,
    keys: Sequence[Key | None],
    heard: Sounding,
) -> Sequence[Chord]:
    chords = []
    for state, group in groupby(range(len(path)), key=lambda k: path[k]):
        beats = list(group)
        span = slice(beats[0], beats[-1] + 1)
        key = keys[beats[0]]
        chord = _named(state, key)
        if not is_no_chord(chord):
            chord = _on_its_bass(chord, heard.bass[span].mean(axis=0), key)
        chords.append(
            replace(
                chord,
                typed="",
                estimated=True,
                confidence=round(float(sure[span, state].mean()), 3),
                start_s=float(times[beats[0]]),
                end_s=float(times[beats[-1] + 1]),
            )
        )
    return chords


def _named(state: int, key: Key | None) -> Chord:
    names = list(QUALITIES)
    if state == 12 * len(names):
        return parse_chord("N", key)
    return parse_chord(f"{spell_pitch_class(state % 12, key)}:{names[state // 12]}", key)


def _on_its_bass(chord: Chord, bass: FloatArray, key: Key | None) -> Chord:
    """The chord on the third or fifth where that sounds much stronger in the bass than the root."""
    others = [pc for pc, role in chord.tones if role in ("third", "fifth")]
    lowest = max(others, key=lambda pc: bass[pc])
    if bass[lowest] < INVERTED * bass[chord.root_pc] or bass[lowest] < bass.max():
        return chord
    return with_bass(chord, lowest, key)


def chord_scores(heard: Sounding, keys: Sequence[Key | None]) -> FloatArray:
    """How well each chord fits each beat, (n_beats, n_chords + 1); the last column is for none.
    `keys` holds one for each beat, or one for all."""
    templates, basses = _templates()
    score = _correlation(np.sqrt(heard.chroma), templates)
    score += BASS_WEIGHT * _correlation(np.sqrt(heard.bass), basses)
    score -= np.repeat([RARE[q] for q in QUALITIES], 12)
    foreign = {key: _foreign(key) for key in set(keys)}
    score -= FOREIGN_COST * np.array([foreign[key] for key in keys])
    quiet = heard.power < heard.power.max() * 10 ** (-SILENT_DB / 10)
    score[quiet] = 0.0
    none = np.where(quiet, NO_CHORD_WHEN_QUIET, NO_CHORD)
    return np.column_stack((score, none))


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
    return np.array(rows), np.array(basses)


def _correlation(rows: FloatArray, templates: FloatArray) -> FloatArray:
    a = rows - rows.mean(axis=1, keepdims=True)
    b = templates - templates.mean(axis=1, keepdims=True)
    a /= np.maximum(np.linalg.norm(a, axis=1, keepdims=True), 1e-9)
    return np.asarray(a @ (b / np.linalg.norm(b, axis=1, keepdims=True)).T)


def _foreign(key: Key | None) -> list[int]:
    """How many tones of each chord lie outside the key (a minor key's raised 7 lies inside)."""
    if key is None:
        return [0] * (12 * len(QUALITIES))
    scale = {(tonic_pc(key) + s) % 12 for s in scale_semitones(key)}
    if key.mode == "minor":
        scale.add((tonic_pc(key) + 11) % 12)
    return [
        sum((root + step) % 12 not in scale for step, _ in tones)
        for tones in QUALITIES.values()
        for root in range(12)
    ]


def best_path(score: FloatArray, cost: FloatArray) -> list[int]:
    """The sequence of columns with the highest sum; `cost[k]` is that of a change before row k."""
    total, back = score[0].copy(), []
    stays = np.arange(score.shape[1])
    for k in range(1, len(score)):
        best = int(np.argmax(total))
        switch = total[best] - cost[k]
        back.append(np.where(total >= switch, stays, best))
        total = np.maximum(total, switch) + score[k]
    path = [int(np.argmax(total))]
    for came in reversed(back):
        path.append(int(came[path[-1]]))
    return path[::-1]


def path_odds(score: FloatArray, cost: FloatArray) -> FloatArray:
    """How likely each column is in each row over all sequences, scores being log odds."""
    onward = _sums(score, cost[1:])
    backward = _sums(score[::-1], cost[:0:-1])[::-1]
    both = onward + backward - score
    odds = np.exp(both - both.max(axis=1, keepdims=True))
    return np.asarray(odds / odds.sum(axis=1, keepdims=True))


def _sums(score: FloatArray, cost: FloatArray) -> FloatArray:
    """Log of the sum over all sequences that end in each column of each row."""
    rows = [score[0]]
    for row, step in zip(score[1:], cost, strict=True):
        before = rows[-1]
        top = before.max()
        change = top + np.log(np.exp(before - top).sum()) - step
        rows.append(np.logaddexp(before, change) + row)
    return np.array(rows)
