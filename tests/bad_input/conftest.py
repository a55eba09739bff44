"""The song that the tests of this folder spoil: made once, copied for each test."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from hostile_songs import write_song


@pytest.fixture(scope="session")
def clean_song(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A song file that is as it should be; not to be written to."""
    return write_song(tmp_path_factory.mktemp("clean") / "song")


@pytest.fixture
def home(clean_song: Path, tmp_path: Path) -> Path:
    """A folder that holds a copy of the song, and nothing else."""
    return Path(shutil.copytree(clean_song.parent, tmp_path / "song"))
