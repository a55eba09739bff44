"""What a long job says of itself where nobody watches a terminal."""

from __future__ import annotations

import pytest

from retune.faces import show


def test_a_log_gets_a_line_every_ten_seconds(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    now = 100.0
    monkeypatch.setattr(show.time, "monotonic", lambda: now)
    with show.progress(quiet=False) as tell:
        for step in range(61):  # half a second each
            now = 100.0 + step / 2
            tell("rendering home-early", step / 60)
    lines = capsys.readouterr().err.splitlines()
    assert lines == [
        "retune: rendering home-early, 33 %",
        "retune: rendering home-early, 67 %",
        "retune: rendering home-early, 100 %",
    ]


def test_a_quiet_or_a_short_job_says_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    for quiet in (True, False):
        with show.progress(quiet=quiet) as tell:
            tell("rendering", 0.5)
    assert capsys.readouterr().err == ""
