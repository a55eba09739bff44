"""A part of a song is heard, planned and written as the whole would be there, and no more."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from retune import pipeline
from retune.carriers.errors import InputError, SongFileError, UsageError
from retune.carriers.heard import Analysis, PitchTrack
from retune.faces.cli import main
from retune.pipeline.song_passage import later
from retune.song.timetext import read_place, read_span

RATE_HZ = 22050
NOTES = [(0.5 + k, 1.3 + k, 60 + (0, 2, 4, 5, 7, 5, 4, 2)[k % 8]) for k in range(14)]


def write_song(folder: Path, more: str = "", music: str = "") -> Path:
    """A tone for each of NOTES."""
    t = np.arange(15 * RATE_HZ) / RATE_HZ
    y = np.zeros(len(t))
    for start_s, end_s, midi in NOTES:
        hz = 440 * 2 ** ((midi - 69) / 12)
        level = np.clip(np.minimum((t - start_s) / 0.03, (end_s - t) / 0.05), 0, 1)
        y += level * sum(np.sin(2 * np.pi * k * hz * t) / k**1.5 for k in range(1, 6))
    folder.mkdir(exist_ok=True)
    soundfile.write(folder / "v.wav", 0.2 * y, RATE_HZ, "PCM_24")
    path = folder / "song.toml"
    stem = '[stems.vocal]\nfile = "v.wav"\nrole = "melody"\n'
    path.write_text(f"format = 1\n{more}{stem}[music]\n{music}", encoding="utf-8")
    return path


def notes_of(analysis: Analysis) -> list[tuple[float, float, str]]:
    assert analysis.melody is not None
    return [(n.start_s, n.end_s, n.name) for n in analysis.melody.notes]


@pytest.fixture
def whole(tmp_path: Path) -> list[tuple[float, float, str]]:
    path = write_song(tmp_path / "whole", music='key = "C major"\n')
    return notes_of(pipeline.analyze(path, use_cache=False))


def test_the_notes_of_a_passage_are_those_of_the_whole(
    tmp_path: Path, whole: list[tuple[float, float, str]]
) -> None:
    path = write_song(tmp_path / "part", 'passage = "0:04-0:10"\n', 'key = "C major"\n')
    analysis = pipeline.analyze(path, use_cache=False)
    assert analysis.passage == (4.0, 10.0)
    # A note that sounds when the passage begins or ends is there too, cut short.
    found = [n for n in notes_of(analysis) if n[0] > 4.02 and n[1] < 9.98]
    wanted = [n for n in whole if n[0] > 4.02 and n[1] < 9.98]
    assert [n[2] for n in found] == [n[2] for n in wanted]
    np.testing.assert_allclose([n[:2] for n in found], [n[:2] for n in wanted], atol=0.012)


def test_bars_say_where_a_passage_lies_once_they_are_given(tmp_path: Path) -> None:
    music = 'key = "C major"\nmeter = "4/4"\ntempo_bpm = 60.0\nfirst_downbeat_s = 0.5\n'
    path = write_song(tmp_path / "a", 'passage = "2:1-3:1"\n', music)
    analysis = pipeline.analyze(path, use_cache=False)
    assert analysis.passage == (4.5, 8.5)
    assert analysis.melody is not None
    assert {note.bar for note in analysis.melody.notes} == {2}
    path = write_song(tmp_path / "b", 'passage = "2:1-3:1"\n', 'key = "C major"\n')
    with pytest.raises(UsageError, match="counts bars"):
        pipeline.analyze(path, use_cache=False)


@pytest.mark.parametrize("text", ["0:20-0:30", "0:10-0:04", "0:04-0:04"])
def test_a_passage_that_is_not_in_the_song_is_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(UsageError, match="is not in the song"):
        pipeline.open_song(write_song(tmp_path / "a", f'passage = "{text}"\n'))


def test_a_passage_that_does_not_read_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SongFileError, match="is not a passage; write two times"):
        pipeline.open_song(write_song(tmp_path / "a", 'passage = "chorus"\n'))


def test_what_is_written_is_the_passage_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write_song(tmp_path / "a", music='key = "C major"\n')
    out = tmp_path / "out"
    rule = "move every degree 2 to degree 1"
    arguments = ["render", str(path), "--rule", rule, "--from", "4s", "--to", "0:10"]
    assert main([*arguments, "--out", str(out), "--quiet"]) == 0
    stem, rate_hz = soundfile.read(out / "rules" / "vocal.wav")
    first = round(4 * rate_hz) - (len(stem) - 6 * rate_hz)
    original, _ = soundfile.read(path.parent / "v.wav")
    assert 6 * rate_hz <= len(stem) <= 6 * rate_hz + 0.012 * rate_hz
    kept, _ = soundfile.read(out / "original" / "vocal.wav")
    np.testing.assert_array_equal(kept, original[first : first + len(kept)])
    manifest = json.loads((out / "rules" / "manifest.json").read_text("utf-8"))
    assert manifest["song"]["passage"] == "4s-0:10"
    spans = [(edit["start_s"], edit["end_s"]) for edit in manifest["edits"]]
    assert spans
    moved = np.flatnonzero(stem != kept) + first
    for at in (moved[0], moved[-1]):
        assert any(a - 0.08 <= at / rate_hz <= b + 0.08 for a, b in spans)
    capsys.readouterr()
    assert main(["verify", str(out / "rules")]) == 2
    assert "--song" in capsys.readouterr().err


def test_tables_are_of_the_part_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bars = "tempo_bpm = 120\nfirst_downbeat_s = 0.0\n"
    path = write_song(tmp_path / "a", music='key = "C major"\n' + bars)
    asked = ["export", str(path), "--format", "csv", "--out", str(tmp_path / "out"), "--quiet"]
    for times, part_s in {("3:1", "6:1"): (4.0, 10.0), ("0:00", "0:09"): (0.0, 9.0)}.items():
        assert main([*asked, "--from", times[0], "--to", times[1]]) == 0
        table = (tmp_path / "out" / "a-notes.csv").read_text("utf-8")
        starts_s = [float(row["start_s"]) for row in csv.DictReader(table.splitlines())]
        assert [s for s in starts_s if not part_s[0] - 0.1 <= s <= part_s[1]] == []
        assert len(starts_s) >= part_s[1] - part_s[0] - 1
    path.write_text(path.read_text().replace(bars, ""))
    assert main([*asked, "--from", "3:1"]) == 2
    assert 'counts bars ("3:1"), but nobody said where they are' in capsys.readouterr().err


@pytest.mark.parametrize("times", [("4s", "8s"), ("2:1", "4:1")])
def test_a_page_is_of_the_part_whether_its_bars_are_given_or_heard(
    times: tuple[str, str], tmp_path: Path
) -> None:
    path = write_song(tmp_path / "a", music='key = "C major"\nmeter = "4/4"\n')
    page = tmp_path / "page.html"
    words = ["--rule", "move every degree 2 to degree 1", "--format", "flac", "--quiet"]
    span = ["--from", times[0], "--to", times[1]]
    assert main(["compare", str(path), *words, "--out", str(page), *span]) == 0
    whole = tmp_path / "whole.html"
    assert main(["compare", str(path), *words, "--out", str(whole)]) == 0
    assert page.stat().st_size < 0.8 * whole.stat().st_size


def test_corrections_elsewhere_are_left_alone(tmp_path: Path) -> None:
    more = 'passage = "0:04-0:10"\n[[corrections]]\nstem = "vocal"\nat_s = 1.0\nset = "drop"\n'
    path = write_song(tmp_path / "a", more, 'key = "C major"\n')
    assert not [w for w in pipeline.analyze(path, use_cache=False).warnings if "correction" in w]


def test_times_read_in_every_form() -> None:
    texts = ("72.5s", "72.5", "1:12.5", "9:1", "9:1.5", "0:48", "9:1x", "-3", "")
    expected = (72.5, 72.5, 72.5, (9, 1.0), (9, 1.5), 48.0, None, None, None)
    assert tuple(map(read_place, texts)) == expected
    assert read_span("48s to 72s") == ("48s", "72s")
    assert read_span("9:1–17:1") == ("9:1", "17:1")
    assert read_span("1-2-3") is None


def test_a_track_put_later_keeps_its_even_steps() -> None:
    time_s = np.arange(4) * 0.01
    ones = np.ones(4)
    moved = later(PitchTrack(time_s, 220 * ones, ones, -10 * ones), 0.05)
    np.testing.assert_allclose(np.diff(moved.time_s), 0.01)
    assert np.isnan(moved.f0_hz[:5]).all()
    assert moved.time_s[5] == pytest.approx(0.05)


def test_a_voice_is_for_a_mix_alone(tmp_path: Path) -> None:
    path = write_song(tmp_path / "a")
    text = path.read_text("utf-8").replace('role = "melody"', 'role = "melody"\nvoice = "v.wav"')
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="is for a finished mix"):
        pipeline.open_song(path)
