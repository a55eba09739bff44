"""What a chart or a guide says of a time after the recording has ended is told, and a line that
stands in the wrong table is."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hostile_songs import SONG, refused, run, spoiled, write_song

LAB = spoiled('chords = "C | G7 | C | C"', 'chords_file = "x.lab"')
MIX = (
    spoiled('role = "melody"', 'role = "mix"')
    .replace('[stems.bass]\nfile = "bass.wav"\nrole = "bass"\n', "")
    .replace("[variants", 'guide = "g.csv"\n[variants')
)


def song_with(folder: Path, text: str, name: str, content: str) -> Path:
    """A song file of that text, with one more file beside it."""
    song = write_song(folder)
    song.write_text(text, encoding="utf-8")
    (folder / name).write_text(content, encoding="utf-8")
    return song


def test_chords_after_the_end_are_told_and_left_out(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    song = song_with(tmp_path, LAB, "x.lab", "0 4 C:maj\n4 8 G:maj\n20 30 F:maj\n30 40 C:maj\n")
    told = json.loads(run(capsys, "analyze", song, "--json").out)
    words = "x.lab: 2 chords from 20.0 s on, after the song has ended (8.0 s): left out"
    assert any(line.startswith(words) for line in told["warnings"])
    assert max(chord["start_s"] for chord in told["chords"]) == 4.0


def test_guide_notes_after_the_end_are_told_and_left_out(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    song = song_with(tmp_path, MIX, "g.csv", "0.1,1,E4\n1,2,G4\n2,3.6,D4\n8.5,9,E4\n")
    told = json.loads(run(capsys, "analyze", song, "--json").out)
    words = (
        "stem vocal: guide g.csv: 1 note begins after the recording has ended (8.00 s): left out"
    )
    assert words in told["warnings"]
    assert all(note["end_s"] <= 8.0 for note in told["stems"]["vocal"]["notes"])


def test_a_guide_wholly_after_the_end_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    song = song_with(tmp_path, MIX, "g.csv", "20,30,E4\n")
    said = refused(capsys, tmp_path, "analyze", song)
    assert "begins at 20.00 s, after the recording has ended (8.00 s)" in said


@pytest.mark.parametrize("table", ["variants", "stems", "corrections"])
def test_a_dotted_line_below_a_table_is_told_where_to_stand(
    table: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    song = write_song(tmp_path)
    line = f'{table}.x.rules = ["keep highest note"]\n'
    song.write_text(SONG.replace("[variants.home]", f"{line}[variants.home]"), encoding="utf-8")
    said = refused(capsys, tmp_path, "analyze", song)
    assert f"music.{table}: stands below [music] and is no part of it; write a table [" in said
    assert f"[{table}" in said
