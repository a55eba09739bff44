"""`retune suggest`: the contract of its JSON, and what it writes into a song file."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from retune import pipeline
from retune.faces.cli import main
from retune.song.songfile import read_song


@pytest.fixture
def song(tmp_path: Path) -> Path:
    return pipeline.write_demo(tmp_path / "lantern")


def test_json_keeps_the_contract(song: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["suggest", str(song), "--json"]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert set(facts) == {"variants", "warnings"}
    assert all(set(v) == {"name", "about", "rules", "reason"} for v in facts["variants"])
    by_rules = {tuple(v["rules"]): v["name"] for v in facts["variants"]}
    # A variant that the song has by the same rules keeps its own name.
    home = ("move phrase-ending degree 2 to degree 1", "shift bass, harp up 5 semitones in bar 16")
    assert by_rules[home] == "home-with-harmony"
    # Sentences that speak of it by the name that was suggested speak of it by its own.
    mirror = next(v for v in facts["variants"] if v["name"].startswith("mirror"))
    assert mirror["about"].startswith("A control for home-with-harmony: ")
    assert len(by_rules) == len(facts["variants"])


def test_written_variants_read_and_plan(song: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = read_song(song)
    assert main(["suggest", str(song), "--write"]) == 0
    assert "cause-both" in capsys.readouterr().err
    after = read_song(song)
    assert "# the pickup of the first phrase" in song.read_text(encoding="utf-8")
    assert {**after.variants, **before.variants} == dict(after.variants)
    assert len(after.variants) > len(before.variants)
    opened = pipeline.open_song(song)
    for plan in pipeline.plans_of(opened, None):
        assert plan.edits, plan.name

    again = song.read_bytes()
    assert main(["suggest", str(song), "--write"]) == 0
    assert "nothing new added" in capsys.readouterr().err
    assert song.read_bytes() == again


def test_a_recording_has_no_song_file_to_write_to(
    song: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bare = song.parent / "vocal.flac"
    before = bare.read_bytes()
    assert main(["suggest", str(bare), "--key", "Bb major", "--write"]) == 2
    error = capsys.readouterr().err
    assert "vocal.flac is a recording" in error
    assert "\n" not in error.strip()
    assert bare.read_bytes() == before
