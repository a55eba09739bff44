"""Tuning taken out and pitches named: per stem, through drift, whole semitones settled by key."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from retune.analysis.corrections import Draft
from retune.analysis.tuning import follow_drift, offset_of
from retune.carriers.heard import FloatArray, Key
from retune.carriers.units import midi_to_hz
from retune.theory.keys import scale_semitones, tonic_pc

# A stem this far from the song's tuning is worth a word.
APART_CENTS = 20.0
# How much more of a melody must lie in the given key to hear it nearly a semitone off.
KEY_GAIN = 0.15


@dataclass(frozen=True, eq=False)
class Tuned:
    """A stem's notes with the tuning removed: `midi` float64 (n,), `names` whole numbers,
    `offset_cents` of the stem from A4 = 440 Hz, `drift_cents` how far it wandered."""

    midi: FloatArray
    names: tuple[int, ...]
    offset_cents: float
    drift_cents: float


def tune_stem(drafts: Sequence[Draft], *, tuning_hz: float | None, key: Key | None) -> Tuned:
    """Take a stem's own tuning out of its notes.

    The common offset from whole semitones is removed, followed through slow drift. Which whole
    semitone is meant when a singer sits between two is settled by the given key, if there is one.
    A given `tuning_hz` is where the search starts: offsets count from it.
    """
    base = 0.0 if tuning_hz is None else 1200.0 * float(np.log2(tuning_hz / 440.0))
    midi = np.array([d.midi for d in drafts]) - base / 100
    weight = np.array([note_weight(d) for d in drafts])
    own = offset_of(midi, weight)
    own += _whole_semitones(midi, weight, own, key)
    times = [d.start_s for d in drafts]
    drift = follow_drift(list(midi), at_s=times, weight=list(weight), start_cents=own)
    if tuning_hz is not None and abs(own) <= APART_CENTS and np.ptp(drift) <= 2 * APART_CENTS:
        own, drift = 0.0, np.zeros(len(midi))
    elif len(drift) and np.ptp(drift) < APART_CENTS:
        drift = np.full(len(midi), own)
    tuned = midi - drift / 100
    names = tuple(
        round(float(t)) if d.named is None else d.named for t, d in zip(tuned, drafts, strict=True)
    )
    cents = tuned - np.round(tuned)
    tuned = np.array([n + c for n, c in zip(names, cents, strict=True)])
    return Tuned(tuned, names, own + base, float(np.ptp(drift)) if len(drift) else 0.0)


def note_weight(draft: Draft) -> float:
    """How much a note says about tuning and key: its length, less where doubtful."""
    return min(draft.end_s - draft.start_s, 2.0) * draft.confidence


def _whole_semitones(midi: FloatArray, weight: FloatArray, own: float, key: Key | None) -> float:
    """-100, 0 or 100 cents: the neighbour that puts more of the melody into the key."""
    if key is None or weight.sum() <= 0:
        return 0.0
    best, kept = 0.0, _share_in_key(midi - own / 100, weight, key)
    for shift in (-100.0, 100.0):
        if abs(own + shift) > 100.0:
            continue
        share = _share_in_key(midi - (own + shift) / 100, weight, key)
        # The farther the singer would be off, the more the key must gain by it.
        if share > kept + KEY_GAIN * max(0.2, (abs(own + shift) - abs(own)) / 50):
            best, kept = shift, share
    return best


def _share_in_key(midi: FloatArray, weight: FloatArray, key: Key) -> float:
    classes = (np.round(midi).astype(int) - tonic_pc(key)) % 12
    inside = np.isin(classes, scale_semitones(key))
    tonic = classes == 0
    return float((weight * (inside + 0.3 * tonic)).sum() / weight.sum())


def song_tuning(stems: Mapping[str, Tuned], weights: Mapping[str, float]) -> float:
    """A4 in Hz: the stems' offsets averaged by how much they sound; where they lie apart, the
    one with the longest sound wins."""
    if not stems or sum(weights.values()) <= 0:
        return 440.0
    first = max(stems, key=lambda name: weights[name])
    near = [n for n in stems if abs(stems[n].offset_cents - stems[first].offset_cents) <= 20.0]
    cents = np.average(
        [stems[n].offset_cents for n in near], weights=[max(weights[n], 1e-9) for n in near]
    )
    return float(midi_to_hz(69.0 + cents / 100))
