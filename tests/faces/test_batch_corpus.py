"""A corpus studied by its sound: melodies with known scores through a batch and its report."""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import pytest

pytest.importorskip("music21", reason="music21 brings the melodies")
sys.path.insert(0, str(Path(__file__).parent.parent / "bench"))

from corpus_songs import choose, key_is_right, matched, write_song

from retune.faces.cli import main


@pytest.mark.slow
def test_endings_read_from_sound_are_those_of_the_score(tmp_path: Path) -> None:
    songs = choose(5)
    files = [str(write_song(song, tmp_path / "songs")) for song in songs]
    variants = tmp_path / "variants.toml"
    variants.write_text(
        'format = 1\n[variants.home]\nrules = ["move phrase-ending degree 2 to degree 1"]\n',
        encoding="utf-8",
    )
    words = ["--variants", str(variants), "--out", str(tmp_path / "out")]
    assert main(["batch", *files, *words, "--report", str(tmp_path / "report"), "--quiet"]) == 0
    with open(tmp_path / "report" / "endings.csv", encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert {row["song"] for row in rows} == {song.name for song in songs}
    right = wrong = missed = 0
    for song in songs:
        own = [row for row in rows if row["song"] == song.name]
        assert key_is_right(own[0]["key"], song)
        for ending, row in matched(song.endings(), own):
            missed += row is None
            right += row is not None and row["degree"] == ending.degree
            wrong += row is not None and row["degree"] != ending.degree
    assert (right >= 15, wrong) == (True, 0), f"{right} right, {wrong} wrong, {missed} missed"
