"""Chords heard where no chart is given: never better than "estimated", and how sure beside each.

What sounds in each half beat, and how low, weighed by what usually sounds in each kind of
chord; the likeliest sequence by dynamic programming, with chords of the key and changes on strong
beats favoured; how sure by the forward-backward sums over all sequences (Cho & Bello 2014, "On the
relative importance of individual components of chord recognition systems", from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import groupby

import numpy as np

from retune.analysis.chord_templates import QUALITIES, deviations, is_quiet
from retune.analysis.chord_weights import FOREIGN, SOUNDS
from retune.analysis.chroma import Sounding, Spectra
from retune.carriers.heard import Bars, Chord, FloatArray, Key
from retune.song.bartime import beats_at, seconds_at
from retune.song.chart import merged
from retune.theory.chords import is_no_chord, parse_chord, with_bass
from retune.theory.keys import scale_semitones, tonic_pc
from retune.theory.spelling import spell_pitch_class

# What a change of chord costs in log odds: more off the barline, and more still between beats;
# less where chords change often, and more where they seldom do. Chosen on songs that the weights
# of tests/bench/fit_chords.py were not fitted on.
CHANGE_COST, OFF_BAR_COST, OFF_BEAT_COST = 1.0, 0.3, 0.5
COST_BY_RATE, USUAL_RATE, LEAST_COST, MOST_COST = 1.5, 0.5, 0.3, 3.0
# Neighbouring spans say much the same: their log odds count for this much.
SHARE = 0.5
# Odds are told from these many times the log odds: with less, chords are right far more often than
# told; with this, tunes agree and chorales still do better (tests/bench/bench_chord_odds.py).
TOLD = 1.8
# Log odds of no chord and of any, in spans with hardly a sound and in the others.
NO_CHORD_WHEN_QUIET, CHORD_WHEN_QUIET, NO_CHORD = -1.0, -5.0, -6.0
# Spans in a beat.
PARTS = 2
# A chord stands on its third or fifth where that sounds this much stronger in the bass.
INVERTED = 2.0


def listen_for_chords(
    spectra: Spectra,
    *,
    bars: Bars,
    key_at: Callable[[float], Key | None],
    duration_s: float,
) -> tuple[Chord, ...]:
    """Chords of a sound by its spectra, two a beat at most, `estimated` set and `confidence` told;
    () when all is silent."""
    if len(bars.downbeats_s) < 2 or not len(spectra.fine):
        return ()
    beats, times = spans_of(bars, duration_s)
    heard = spectra.tones(times)
    if not len(heard.power) or heard.power.max(initial=0.0) <= 0:
        return ()
    keys = [key_at(float(t)) for t in times[:-1]]
    told = SHARE * chord_odds(heard, keys)
    off = _off_costs(beats[:-1], bars)
    rough = np.array(best_path(told, CHANGE_COST + off))
    rate = PARTS * float(np.mean(rough[1:] != rough[:-1])) if len(rough) > 1 else USUAL_RATE
    change = np.clip(CHANGE_COST + COST_BY_RATE * (USUAL_RATE - rate), LEAST_COST, MOST_COST)
    path, sure = best_path(told, change + off), path_odds(TOLD * told, TOLD * (change + off))
    return merged(list(_chords(path, sure, times, keys, heard)))


def spans_of(bars: Bars, duration_s: float) -> tuple[FloatArray, FloatArray]:
    """Where spans begin and the last ends, in beats and in seconds: PARTS in each beat."""
    first = int(np.floor(float(beats_at(0.0, bars)) + 1e-6))
    last = int(np.ceil(float(beats_at(duration_s, bars)) - 1e-6))
    beats = np.arange(PARTS * first, PARTS * last + 1) / PARTS
    times = np.array([max(0.0, seconds_at(float(b), bars)) for b in beats])
    apart = np.concatenate(([True], np.diff(times) > 1e-3))
    return beats[apart], times[apart]


def _off_costs(beats: FloatArray, bars: Bars) -> FloatArray:
    """What a change at each of some beats costs beside one on a barline."""
    near = np.round(beats)
    off_beat = np.abs(beats - near) > 1e-6
    off_bar = np.array([beat != bars.first_beat(bars.bar_of(beat)) for beat in near])
    return np.asarray(OFF_BAR_COST * (off_bar | off_beat) + OFF_BEAT_COST * off_beat)


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


def chord_odds(heard: Sounding, keys: Sequence[Key | None]) -> FloatArray:
    """Log odds of each chord in each span, (n_spans, n_chords + 1); the last column is for none.
    `keys` holds one for each span."""
    chroma, bass = deviations(heard.chroma), deviations(heard.bass)
    told = np.column_stack(
        [
            constant + chroma @ np.roll(of_all, root) + bass @ np.roll(of_bass, root)
            for constant, of_all, of_bass in SOUNDS.values()
            for root in range(12)
        ]
    )
    foreign = {key: np.array(foreign_tones(key)) for key in set(keys)}
    told += FOREIGN * np.array([foreign[key] for key in keys])
    told -= np.logaddexp.reduce(told, axis=1, keepdims=True)
    quiet = is_quiet(heard)
    told[quiet] = CHORD_WHEN_QUIET
    return np.column_stack((told, np.where(quiet, NO_CHORD_WHEN_QUIET, NO_CHORD)))


def foreign_tones(key: Key | None) -> list[int]:
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
