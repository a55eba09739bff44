"""What a notebook shows of a song: tables, pictures and sounds, and short words for the rest."""

from __future__ import annotations

import io
import re
from pathlib import Path

import pytest
import soundfile

import retune
from retune import pipeline
from retune.carriers.errors import UsageError

ROW = r"<tr><td>(\d)</td>(?:<td>[^<]*</td>){2}<td>(.*?)</td><td>(.*?)</td><td>(.*?)</td>"
RULE = "move phrase-ending degree 2 to degree 1"


@pytest.fixture(scope="module")
def song() -> retune.OpenSong:
    return retune.open(pipeline.demo_folder() / "song.toml")


@pytest.fixture(scope="module")
def plan(song: retune.OpenSong) -> retune.Plan:
    return song.plan(RULE)


def test_an_analysis_shows_its_endings_and_its_picture(song: retune.OpenSong) -> None:
    html = song.analysis._repr_html_()
    assert html is not None
    assert html.count("<svg") == 1
    assert "key B♭ major" in html
    rows = re.findall(ROW, html)
    assert [row[1] for row in rows] == ["5", "2", "3", "2", "4", "1"]
    assert rows[3][1:] == ("2", "V F", "open")


def test_a_plan_shows_its_edits_and_what_follows(plan: retune.Plan) -> None:
    html = plan._repr_html_()
    assert html is not None
    assert "2 notes moved" in html
    assert html.count("<td>C4 → B♭3</td><td>2 → 1</td><td>-200</td>") == 2
    assert f"<li>{RULE}</li>" in html
    assert "Bar 8: the tonic" in html
    assert html.count("<svg") == 1


def test_text_of_a_song_is_no_html(tmp_path: Path, plan: retune.Plan) -> None:
    from dataclasses import replace

    html = replace(plan, name="<script>", heard="")._repr_html_()
    assert html is not None
    assert "<script>" not in html
    assert "&lt;script&gt;" in html
    assert "<svg" not in html, "a plan of a song that is not open has no picture"


def test_pictures_differ_by_plan_and_are_written(
    song: retune.OpenSong, plan: retune.Plan, tmp_path: Path
) -> None:
    sung, moved = song.picture(), song.picture(plan)
    assert sung.svg != moved.svg
    assert moved._repr_svg_() == moved.svg
    idents = [set(re.findall(r'\bid="([^"]+)"', one.svg)) for one in (sung, moved)]
    assert idents[0], "the picture names its parts"
    assert not idents[0] & idents[1], "two pictures stand in one notebook"
    written = moved.write(tmp_path / "p.svg").read_text(encoding="utf-8")
    assert written.startswith(moved.svg)


def test_a_phrase_is_played(song: retune.OpenSong, plan: retune.Plan, tmp_path: Path) -> None:
    phrase = song.analysis.melody.phrases[1]  # type: ignore[union-attr]
    sung, moved = song.play(phrase=2), song.play(plan, phrase=2)
    for sound in (sung, moved):
        samples, rate_hz = soundfile.read(io.BytesIO(sound.data))
        assert abs(len(samples) / rate_hz - (phrase.end_s - phrase.start_s + 0.95)) < 0.1
        assert sound._repr_html_().count("<audio controls") == 1
    assert sung.data != moved.data
    assert song.play(song.render(plan), start="5:1", end="9:1").data != moved.data
    assert moved.file_name == "rules.opus"
    assert moved.write(tmp_path / moved.file_name).read_bytes() == moved.data
    with pytest.raises(UsageError, match="1 to 6"):
        song.play(phrase=9)


def test_endings_say_what_a_plan_makes_of_them(song: retune.OpenSong, plan: retune.Plan) -> None:
    assert [ending.state for ending in song.endings()].count("at rest") == 1
    after = [ending.state_after for ending in song.endings(plan)]
    assert after == [None, "at rest", None, "open", None, None]


def test_what_holds_much_is_told_in_few_words(song: retune.OpenSong, plan: retune.Plan) -> None:
    page = song.compare(variant="home-early", passage=(None, None, "2"), control=False)
    names, size_mb = "original, home-early", page.audio_size_bytes / 1e6
    assert repr(page) == f'<PageInput "Lantern Song": {names}; {size_mb:.1f} MB of sound>'
    shown = [song, song.analysis, plan, page, page.versions[0], song.render(plan), song.picture()]
    shown += [song.inputs, song.song, song.suggest(), song.analysis.melody, song.play(phrase=2)]
    assert not [len(repr(one)) for one in shown if len(repr(one)) >= 200]
    assert page.play("home-early").data == page.versions[1].audio_bytes
    assert page.picture().svg == page.picture("home-early").svg != page.picture("original").svg
    with pytest.raises(UsageError, match='no version "late": there are original, home-early'):
        page.play("late")
    with pytest.raises(UsageError, match="not both"):
        song.compare(variant="home-early", variants=["mirror"])
