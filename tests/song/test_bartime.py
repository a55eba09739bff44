"""Moments from bars and beats, the pickup and the bar after the last included."""

from __future__ import annotations

import pytest

from retune.carriers.errors import UsageError
from retune.carriers.heard import Bars
from retune.song.bartime import bar_time

# Four beats a bar; the bars last 2, 4 and 3 s, as in a song that is played freely.
UNEVEN = Bars((1.0, 3.0, 7.0, 10.0), (4, 4), 90.0)


@pytest.mark.parametrize(
    ("bar", "beat", "time_s"),
    [
        (1, 1.0, 1.0),
        (1, 3.0, 2.0),
        (2, 1.0, 3.0),
        (2, 2.0, 4.0),
        (3, 3.0, 8.5),
        (0, 3.0, 0.0),  # a pickup is counted back at the pace of the first bar
        (4, 1.0, 10.0),  # and the end forward at that of the last
        (4, 2.0, 10.75),
    ],
)
def test_a_moment_lies_inside_its_own_bar(bar: int, beat: float, time_s: float) -> None:
    assert bar_time(UNEVEN, bar, beat) == pytest.approx(time_s)


@pytest.mark.parametrize(("bar", "beat"), [(-1, 1.0), (5, 1.0), (1, 0.5), (1, 5.0)])
def test_what_is_not_in_the_song_is_refused(bar: int, beat: float) -> None:
    with pytest.raises(UsageError, match=r"bars 0 to 3, beats 1 to 4"):
        bar_time(UNEVEN, bar, beat)
