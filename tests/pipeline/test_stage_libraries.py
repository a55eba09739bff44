"""The key of a step names the libraries that its rooms import."""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import retune
from retune.pipeline.pieces import PIECE
from retune.pipeline.pitch_track import TRACK
from retune.pipeline.rendition_files import FILES
from retune.pipeline.song_analysis import ANALYSIS
from retune.pipeline.stages import Stage

DISTRIBUTIONS = {"python_stretch": "python-stretch", "swift_f0": "swift-f0"}


def imported(room: str) -> Iterator[str]:
    """Distributions of other people's modules that the files of a room import."""
    for path in (Path(retune.__file__).parent / room).glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            for name in {name.split(".")[0] for name in names}:
                if name and name != "retune" and name not in sys.stdlib_module_names:
                    yield DISTRIBUTIONS.get(name, name)


@pytest.mark.parametrize(
    ("stage", "room"),
    [
        (TRACK, "track"),
        (ANALYSIS, "analysis"),
        (PIECE, "repitch"),
        (FILES, "repitch"),
        (FILES, "track"),
    ],
)
def test_a_library_of_a_room_is_in_the_key(stage: Stage[object], room: str) -> None:
    found = set(imported(room))
    assert "numpy" in found
    assert found <= set(stage.libraries)
