"""A guide on a clock, in an octave and in a key of its own, laid on the mix it belongs to."""

from __future__ import annotations

import numpy as np
import pytest
from band import LINE, make_mix

from retune.song.guide import GuideNote
from retune.track import Aligned, align_to_mix

RANGE = {"fmin_hz": 65.0, "fmax_hz": 1200.0}


def hummed(
    *, semitones: float = 0.0, stretch: float = 1.0, late_s: float = 0.0
) -> tuple[GuideNote, ...]:
    """The band's line as somebody remembers it: up to 30 cents out of tune."""
    out = np.random.default_rng(3).uniform(-0.3, 0.3, len(LINE))
    return tuple(
        GuideNote(late_s + stretch * a, late_s + stretch * b, m + semitones + o)
        for (m, a, b), o in zip(LINE, out, strict=True)
    )


def laid(guide: tuple[GuideNote, ...], *, lead_db: float = 0.0) -> Aligned:
    return align_to_mix(make_mix(lead_db=lead_db).audio, guide, **RANGE)


@pytest.mark.parametrize(
    ("semitones", "stretch", "late_s", "octaves", "key"),
    [
        (0.0, 1.0, 0.0, 0, 0),
        (-12.0, 1.05, 0.4, 1, 0),
        (12.0, 0.9, 3.0, -1, 0),
        (-24.0, 1.1, 0.0, 2, 0),
        (3.0, 1.05, 0.4, 0, -3),
        (-8.0, 1.0, 10.0, 1, -4),
    ],
)
def test_octave_key_and_clock_are_forgiven(
    semitones: float, stretch: float, late_s: float, octaves: int, key: int
) -> None:
    found = laid(hummed(semitones=semitones, stretch=stretch, late_s=late_s))
    assert (found.octaves, found.semitones) == (octaves, key)
    assert found.fit > found.rival
    for note, (midi, start_s, end_s) in zip(found.notes, LINE, strict=True):
        assert abs(note.midi - midi) <= 0.3 + 1e-9
        shared_s = min(note.end_s, end_s) - max(note.start_s, start_s)
        assert shared_s > 0.6 * (end_s - start_s)


def test_a_part_of_the_melody_finds_its_place() -> None:
    found = laid(hummed(stretch=1.05, late_s=7.0)[2:])
    for note, (_, start_s, end_s) in zip(found.notes, LINE[2:], strict=True):
        assert start_s < 0.5 * (note.start_s + note.end_s) < end_s


def test_another_melody_fits_hardly_better_than_in_another_key() -> None:
    own = laid(hummed())
    other = laid(tuple(GuideNote(0.4 * k, 0.4 * k + 0.35, 60.0 + k % 2) for k in range(12)))
    assert own.fit - own.rival > other.fit - other.rival + 0.03


def test_notes_never_overlap_and_last() -> None:
    found = laid(hummed(stretch=2.5))
    for before, after in zip(found.notes, found.notes[1:], strict=False):
        assert before.start_s < before.end_s <= after.start_s
