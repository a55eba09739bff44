"""What is written where a letter is lacking."""

from __future__ import annotations

import io
import sys

import pytest

from retune.faces.streams import ready_streams


@pytest.mark.parametrize("encoding", ["cp1252", "cp437", "ascii"])
def test_a_flat_is_no_sharp_where_both_are_lacking(
    encoding: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    there = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(there, encoding=encoding))
    monkeypatch.setattr(sys, "stderr", io.TextIOWrapper(io.BytesIO(), encoding=encoding))
    ready_streams()
    said = "B♭3 → F♯3, −200 cents: 灯"
    print(said, end="", flush=True)
    assert there.getvalue().decode(encoding) == "Bb3 > F#3, -200 cents: ?"
    assert len(there.getvalue()) == len(said), "columns stay columns"
