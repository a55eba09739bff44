"""The pace that a batch tells of itself."""

from __future__ import annotations

import pytest

from retune.faces.batch import pace
from retune.faces.batch_tally import Tally


@pytest.mark.parametrize(
    ("skipped", "done", "said"),
    [
        (0, 0, ""),
        (90, 0, ", 90 skipped"),
        (90, 2, ", 90 skipped, 12.0 a minute, 40 s left"),
        (0, 10, ", 60.0 a minute, 90 s left"),
    ],
)
def test_pace_counts_only_work_that_was_done(skipped: int, done: int, said: str) -> None:
    tally = Tally()
    for number in range(skipped + done):
        state = "skipped" if number < skipped else "done"
        tally.add({"song": f"s{number}", "variant": "a", "state": state})
    assert pace(tally, total=100, seconds=10.0) == said
