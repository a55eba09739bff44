"""How bass, harp and brushes are played: human timing and touch, from the score."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from lantern_score import PlayedNote, bass_part, brush_part, harp_part, seconds


@dataclass(frozen=True)
class TimedNote:
    """A note as played: seconds, MIDI number, MIDI velocity."""

    start_s: float
    end_s: float
    midi: int
    velocity: int


def play_loosely(
    part: Sequence[PlayedNote], *, loose_s: float, rng: np.random.Generator
) -> tuple[TimedNote, ...]:
    """Human timing and touch: onsets shifted by about ``loose_s``, velocities by about 4."""
    notes = []
    for note in part:
        shift_s = float(np.clip(rng.normal(0, loose_s), -2 * loose_s, 2 * loose_s))
        touch = int(np.clip(note.velocity + rng.normal(0, 4), 20, 110))
        start_s = seconds(note.start_beats) + shift_s
        notes.append(TimedNote(start_s, seconds(note.end_beats) - 0.02, note.midi, touch))
    return tuple(notes)


def bass_notes(seed: int) -> tuple[TimedNote, ...]:
    """The bass as played; its tables of truth are made from this."""
    return play_loosely(bass_part(), loose_s=0.008, rng=np.random.default_rng([seed, 201]))


def harp_notes(seed: int) -> tuple[TimedNote, ...]:
    """The harp as played, note for note in the order of its part."""
    return play_loosely(harp_part(), loose_s=0.009, rng=np.random.default_rng([seed, 202]))


def brush_notes(seed: int) -> tuple[TimedNote, ...]:
    """The brushes as played."""
    return play_loosely(brush_part(), loose_s=0.007, rng=np.random.default_rng([seed, 203]))
