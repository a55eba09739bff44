"""What sounds on after a moved note, in a room, goes with it where that is asked; nothing else
changes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from singing import RATE_HZ, make_notes, make_track, move, sung

from retune.carriers.changes import Edit
from retune.carriers.heard import Audio, StemAnalysis
from retune.repitch import render_control, render_stem
from retune.repitch.tails import find_tails

OLD_HZ, CENTS = 220.0, -200.0
NEW_HZ = OLD_HZ * 2 ** (CENTS / 1200)
END_S, NEXT_S, LAST_S = 1.0, 2.0, 2.6


def stem_of(*, decay_s: float, next_s: float = NEXT_S) -> tuple[Audio, StemAnalysis]:
    """A note of 1 s that dies away by 60 dB in `decay_s`, and another note after it, over noise
    70 dB below."""
    time_s = np.arange(round(LAST_S * RATE_HZ)) / RATE_HZ
    f0_hz = np.where(time_s < next_s, OLD_HZ, 262.0)
    level = 10 ** (-3 * np.maximum(time_s - END_S, 0) / decay_s)
    level = np.where(time_s < next_s, level, np.clip((time_s - next_s) / 0.03, 0, 1))
    y = sung(f0_hz) * level + 10**-4 * np.random.default_rng(5).standard_normal(len(time_s))
    track = make_track(np.where((time_s < END_S) | (time_s >= next_s), f0_hz, np.nan))
    notes = make_notes((OLD_HZ, 262.0), (0.0, END_S, LAST_S))
    notes = (notes[0], replace(notes[1], start_s=next_s, end_s=LAST_S))
    stem = StemAnalysis("voice", "melody", notes, (), track)
    return Audio(y[:, None].astype(np.float32), RATE_HZ), stem


def with_tail(stem: StemAnalysis) -> Edit:
    return replace(move(stem, 1, CENTS), tail="moved")


def power_at(y: np.ndarray, hz: float, a_s: float, b_s: float) -> float:
    part = y[round(a_s * RATE_HZ) : round(b_s * RATE_HZ)].astype(float)
    turn = np.exp(-2j * np.pi * hz * np.arange(len(part)) / RATE_HZ)
    return float(np.abs(np.sum(part * np.hanning(len(part)) * turn)) ** 2)


@pytest.mark.parametrize("render", [render_stem, render_control])
def test_a_tail_goes_with_its_note(render) -> None:
    audio, stem = stem_of(decay_s=1.0)
    made = render(audio, stem=stem, edits=[with_tail(stem)]).apply(audio)[:, 0]
    new, old = (power_at(made, hz, 1.15, 1.6) for hz in (NEW_HZ, OLD_HZ))
    assert (new > 100 * old) == (render is render_stem)
    assert (old > 100 * new) == (render is render_control)


def test_the_level_of_a_tail_stays() -> None:
    audio, stem = stem_of(decay_s=1.0)
    made = render_stem(audio, stem=stem, edits=[with_tail(stem)]).apply(audio)[:, 0]
    for a_s in (1.1, 1.3, 1.5):
        part = slice(round(a_s * RATE_HZ), round((a_s + 0.15) * RATE_HZ))
        change = np.std(made[part]) / np.std(audio.samples[part, 0])
        assert abs(20 * np.log10(change)) < 1.5


def test_what_follows_a_tail_stays_bit_by_bit() -> None:
    audio, stem = stem_of(decay_s=1.0)
    rendition = render_stem(audio, stem=stem, edits=[with_tail(stem)])
    assert max(patch.stop for patch in rendition.patches) <= (NEXT_S - 0.08) * RATE_HZ
    made = rendition.apply(audio)
    after = round(NEXT_S * RATE_HZ)
    assert np.array_equal(made[after:], audio.samples[after:])


def test_a_tail_stays_unless_it_is_asked_for() -> None:
    audio, stem = stem_of(decay_s=1.0)
    rendition = render_stem(audio, stem=stem, edits=[move(stem, 1, CENTS)])
    assert max(patch.stop for patch in rendition.patches) <= (END_S + 0.075) * RATE_HZ


def test_a_dry_note_has_no_tail() -> None:
    audio, stem = stem_of(decay_s=0.04)
    edit = with_tail(stem)
    assert find_tails([edit], audio=audio, stem=stem) == {}
    patches = render_stem(audio, stem=stem, edits=[edit]).patches
    assert max(patch.stop for patch in patches) <= (END_S + 0.075) * RATE_HZ


def test_a_tail_ends_before_the_next_note_and_in_noise() -> None:
    audio, stem = stem_of(decay_s=1.0)
    (tail,) = find_tails([with_tail(stem)], audio=audio, stem=stem).values()
    assert 1.6 < tail.stop_s < NEXT_S - 0.15
    assert tail.f0_hz == pytest.approx(OLD_HZ, rel=1e-3)
    audio, stem = stem_of(decay_s=3.0)
    (tail,) = find_tails([with_tail(stem)], audio=audio, stem=stem).values()
    assert NEXT_S - 0.2 < tail.stop_s < NEXT_S - 0.15
    audio, stem = stem_of(decay_s=0.5)
    (tail,) = find_tails([with_tail(stem)], audio=audio, stem=stem).values()
    assert 1.3 < tail.stop_s < 1.75


def test_a_note_that_another_follows_at_once_has_no_tail() -> None:
    audio, stem = stem_of(decay_s=1.0, next_s=1.12)
    assert find_tails([with_tail(stem)], audio=audio, stem=stem) == {}


def test_spans_and_notes_in_time_have_no_tails() -> None:
    audio, stem = stem_of(decay_s=1.0)
    edit = with_tail(stem)
    span = Edit("voice", 0.0, END_S, CENTS, "shift", tail="moved")
    assert find_tails([span], audio=audio, stem=stem) == {}
    timed = replace(edit, start_to_s=0.0, end_to_s=1.2)
    assert find_tails([timed], audio=audio, stem=stem) == {}
