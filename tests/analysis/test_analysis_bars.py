"""Bars, beats and phrases by arithmetic."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retune.analysis.bars import (
    bar_and_beat,
    bars_from_downbeats,
    bars_from_tempo,
    given_bars,
)
from retune.analysis.phrases import find_phrases
from retune.carriers.errors import SongFileError
from retune.carriers.heard import Bars
from retune.carriers.songfacts import Music
from retune.song.bartime import beats_at, seconds_at

WALTZ = bars_from_tempo(meter=(3, 4), tempo_bpm=90.0, first_downbeat_s=1.0, duration_s=25.0)


@pytest.mark.parametrize(
    ("time_s", "place"),
    [
        (1.0, (1, 1.0)),
        (1.0 + 2 / 3, (1, 2.0)),
        (3.0, (2, 1.0)),
        (1.0 - 2 / 3, (0, 3.0)),
        (2.96, (2, 1.0)),  # a little early counts as on the beat
        (2.8, (1, 3.7)),
    ],
)
def test_bar_and_beat(time_s: float, place: tuple[int, float]) -> None:
    assert bar_and_beat(time_s, WALTZ) == (place[0], pytest.approx(place[1], abs=0.001))


def test_the_last_downbeat_lies_at_or_past_the_end() -> None:
    assert WALTZ.downbeats_s[-2] < 25.0 <= WALTZ.downbeats_s[-1]


def test_a_bar_of_six_eight_has_two_beats() -> None:
    bars = bars_from_tempo(meter=(6, 8), tempo_bpm=60.0, first_downbeat_s=0.0, duration_s=8.0)
    assert bars.downbeats_s[:3] == (0.0, 2.0, 4.0)
    assert bar_and_beat(3.0, bars) == (2, 2.0)


@given(st.floats(-5, 60))
def test_seconds_and_beats_are_inverse(beat: float) -> None:
    free = bars_from_downbeats([0.5, 2.0, 4.5, 6.0], meter=(4, 4), duration_s=20.0)
    assert float(beats_at(seconds_at(beat, free), free)) == pytest.approx(beat, abs=1e-6)


def test_free_downbeats_go_on_to_the_end() -> None:
    bars = bars_from_downbeats([0.5, 2.0, 4.5], meter=(4, 4), duration_s=10.0)
    assert bars.downbeats_s == (0.5, 2.0, 4.5, 7.0, 9.5, 12.0)


@pytest.mark.parametrize("times", [[1.0], [1.0, 1.0], [2.0, 1.0]])
def test_downbeats_that_do_not_rise_are_refused(times: list[float]) -> None:
    with pytest.raises(SongFileError, match="at least two and rise"):
        bars_from_downbeats(times, meter=(4, 4), duration_s=9.0)


def test_no_tempo_means_no_given_bars() -> None:
    assert given_bars(Music(), duration_s=9.0) is None
    assert bar_and_beat(1.0, Bars((), (4, 4), 0.0)) == (None, None)


def phrases(
    starts: list[float], ends: list[float], wanted: str | tuple[tuple[float, float], ...]
) -> list[tuple[int, int]]:
    found = find_phrases(starts, ends, [60.0] * len(starts), bars=WALTZ, wanted=wanted)
    return [(span.first, span.last) for span in found]


BEATS = [1.0 + 2 / 3 * k for k in range(-1, 23)]
ENDS = [t + 0.6 for t in BEATS]


def test_every_two_bars_with_a_pickup() -> None:
    # Notes on every beat from a pickup on; two bars are six beats.
    assert phrases(BEATS, ENDS, "every 2 bars, pickup 1 beat") == [
        (0, 5),
        (6, 11),
        (12, 17),
        (18, 23),
    ]


def test_every_two_bars_cuts_in_the_longest_gap_near_the_barline() -> None:
    starts, ends = BEATS[1:13], ENDS[1:13]
    ends[4] = starts[4] + 0.3  # a breath before the last beat of bar 2
    assert phrases(starts, ends, "every 2 bars") == [(0, 4), (5, 11)]


def test_every_two_bars_without_a_gap_cuts_at_the_barline() -> None:
    assert phrases(BEATS[1:13], ENDS[1:13], "every 2 bars") == [(0, 5), (6, 11)]


def test_given_phrases_take_notes_by_onset() -> None:
    assert phrases([1, 2, 3, 4], [1.5, 3.2, 3.5, 5], ((0.9, 2.9), (3.0, 3.9))) == [(0, 1), (2, 2)]


@pytest.mark.parametrize("text", ["every bars", "each 4 bars", "every 0 bars", "sometimes"])
def test_phrases_that_do_not_read_are_refused(text: str) -> None:
    with pytest.raises(SongFileError, match="every 4 bars, pickup 1 beat"):
        phrases([1.0], [2.0], text)


def test_phrases_are_found_after_long_notes_and_rests() -> None:
    starts, ends, at = [], [], 1.0
    for _ in range(4):
        for length in (1, 1, 1, 1, 1, 4):
            starts.append(at)
            ends.append(at + (length if length == 1 else 2) * 2 / 3 - 0.05)
            at += length * 2 / 3
    assert phrases(starts, ends, "auto") == [(0, 5), (6, 11), (12, 17), (18, 23)]


def test_no_notes_no_phrases() -> None:
    assert phrases([], [], "auto") == []
