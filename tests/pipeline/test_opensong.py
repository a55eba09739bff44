"""The opened song: changed files are noticed and never mixed, options are checked, nothing is
worked out twice."""

from __future__ import annotations

import logging
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

import retune
from retune.carriers.errors import InputError, StaleError, UsageError
from retune.carriers.units import midi_to_hz
from retune.pipeline import inputs, song_analysis, stages
from retune.pipeline.jobs import Job, run_job

RATE = 16000
TEXT = """format = 1
title = "Two notes"
[stems.vocal]
file = "vocal.wav"
role = "melody"
[music]
key = "C major"
meter = "4/4"
tempo_bpm = 120.0
first_downbeat_s = 0.0
chords_file = "chords.lab"
phrases = [[0.0, 2.0]]
[variants.home]
rules = ["move phrase-ending degree 2 to degree 1"]
[variants.over-c]
rules = ["move phrase-ending degree 2 to degree 1 over C"]
"""
OVER_C = "0.0 2.0 C\n"
OVER_G = "0.0 2.0 G\n"


def sing(path: Path, *, midi: tuple[float, float] = (64.0, 62.0)) -> None:
    """Two sung-like tones of a second, 8 harmonics."""
    t = np.arange(RATE) / RATE
    fade = np.minimum(1, np.minimum(t, 1 - t) / 0.02)
    tones = [
        fade * sum(np.sin(2 * np.pi * k * float(midi_to_hz(m)) * t) / k for k in range(1, 9))
        for m in midi
    ]
    soundfile.write(path, 0.2 * np.concatenate(tones), RATE, "PCM_16")


def write_song(folder: Path) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    sing(folder / "vocal.wav")
    (folder / "chords.lab").write_text(OVER_C)
    (folder / "song.toml").write_text(TEXT)
    return folder / "song.toml"


@pytest.fixture
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("RETUNE_CACHE", str(tmp_path / "cache"))
    return write_song(tmp_path / "song")


@pytest.fixture
def heard(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of the songs that were heard, not recalled."""
    names: list[str] = []
    hear = song_analysis._hear

    def hearing(opened: inputs.SongInputs, progress: inputs.Progress) -> Any:
        names.append(opened.song.title)
        return hear(opened, progress)

    monkeypatch.setattr(song_analysis, "_hear", hearing)
    return names


def names_of(song: retune.OpenSong) -> list[str]:
    melody = song.analysis.melody
    assert melody is not None
    return [note.name for note in melody.notes]


def test_the_readme_sentence(path: Path, tmp_path: Path) -> None:
    song = retune.open(path)
    assert names_of(song) == ["E4", "D4"]
    plan = song.plan("move phrase-ending degree 2 to degree 1")
    assert [edit.shift_cents for edit in plan.edits] == [-200.0]
    rendition = song.render(plan)
    assert rendition.stems["vocal"].patches
    page = song.compare(plan, out=tmp_path / "page.html", audio_format="flac")
    assert [version.name for version in page.versions] == ["original", "rules", "matched-control"]
    assert (tmp_path / "page.html").stat().st_size > 10_000
    assert len(repr(song)) < 80


CHANGES: dict[str, Callable[[Path], Any]] = {
    "song file": lambda home: (home / "song.toml").write_text(TEXT.replace("C major", "D major")),
    "stem": lambda home: sing(home / "vocal.wav", midi=(64.0, 65.0)),
    "chart": lambda home: (home / "chords.lab").write_text(OVER_G),
}
AFTER: dict[str, Callable[[retune.OpenSong], bool]] = {
    "song file": lambda song: [n.degree for n in song.analysis.melody.notes] == ["2", "1"],
    "stem": lambda song: names_of(song) == ["E4", "F4"],
    "chart": lambda song: [c.label for c in song.analysis.chords] == ["G:maj"],
}


@pytest.mark.parametrize("what", CHANGES)
def test_a_changed_file_is_noticed_at_the_next_request(
    path: Path, heard: list[str], what: str
) -> None:
    song = retune.open(path)
    before, plan = song.analysis, song.plan(variant="home")
    assert song.analysis is before
    assert not AFTER[what](song)
    CHANGES[what](path.parent)
    assert AFTER[what](song)
    assert len(heard) == 2
    with pytest.raises(UsageError, match="make the plan again"):
        song.render(plan)
    song.render(song.plan(variant="home"))


@pytest.mark.parametrize("what", CHANGES)
def test_a_worker_notices_it_too(path: Path, tmp_path: Path, what: str) -> None:
    def job(variant: str, rules: tuple[str, ...]) -> Job:
        return Job(str(path), "two", variant, rules, str(tmp_path / "out"))

    rule = "move every degree 2 to degree 1"
    assert run_job(job("original", ()))["state"] == "done"
    first = run_job(job("first", (rule,)))
    CHANGES[what](path.parent)
    second = run_job(job("second", (rule,)))
    assert (first["error"], second["error"]) == (None, None)
    assert first["address"] != second["address"]
    fresh = run_job(Job(str(path), "two", "second", (rule,), str(tmp_path / "out"), resume=True))
    assert fresh["state"] == "skipped"
    (found,) = retune.pipeline.verify(tmp_path / "out/two/second", song=path)
    assert found.identical, found.differences


def test_a_touched_stem_changes_nothing(path: Path, tmp_path: Path, heard: list[str]) -> None:
    song = retune.open(path)
    plan = song.plan(variant="home")
    os.utime(path.parent / "vocal.wav", ns=(1, 1))
    assert song.render(plan).stems
    job = Job(str(path), "two", "original", (), str(tmp_path / "out"))
    assert run_job(job)["state"] == "done"
    os.utime(path.parent / "vocal.wav", ns=(2, 2))
    variant = Job(str(path), "two", "v", ("move every degree 2 to degree 1",), job.out)
    assert run_job(variant)["error"] is None
    assert heard == ["Two notes"]


def test_a_file_changed_while_it_is_heard_is_heard_again(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    hear, count = song_analysis._hear, 0

    def interrupted(opened: inputs.SongInputs, progress: inputs.Progress) -> Any:
        nonlocal count
        count += 1
        found = hear(opened, progress)
        if count == 1:
            (path.parent / "chords.lab").write_text(OVER_G)
        return found

    monkeypatch.setattr(song_analysis, "_hear", interrupted)
    assert [chord.label for chord in retune.open(path).analysis.chords] == ["G:maj"]
    assert count == 2


def test_a_file_that_never_rests_is_an_error(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    hear, count = song_analysis._hear, 0

    def restless(opened: inputs.SongInputs, progress: inputs.Progress) -> Any:
        nonlocal count
        count += 1
        (path.parent / "chords.lab").write_text(OVER_C + "\n" * count)
        return hear(opened, progress)

    monkeypatch.setattr(song_analysis, "_hear", restless)
    with pytest.raises(StaleError, match=r"chords\.lab changed"):
        _ = retune.open(path).analysis


def test_a_song_that_breaks_is_told_and_mends(path: Path) -> None:
    song = retune.open(path)
    _ = song.analysis
    path.write_text("format = 1\n")
    with pytest.raises(InputError, match=r"song\.toml"):
        _ = song.analysis
    path.write_text(TEXT)
    assert names_of(song) == ["E4", "D4"]


def test_between_commands_the_disk_recalls_and_never_lies(path: Path, heard: list[str]) -> None:
    _ = retune.analyze(path)
    stages._memory_over.cache_clear()
    again = retune.analyze(path)
    assert heard == ["Two notes"]
    (path.parent / "chords.lab").write_text(OVER_G)
    stages._memory_over.cache_clear()
    assert retune.analyze(path).chords != again.chords
    assert len(heard) == 2


def test_without_cache_nothing_is_kept_or_recalled(path: Path, heard: list[str]) -> None:
    for _ in range(2):
        _ = retune.analyze(path, use_cache=False)
    assert len(heard) == 2
    assert not list(Path(os.environ["RETUNE_CACHE"]).glob("*.npz"))


def test_a_key_holds_code_and_libraries(monkeypatch: pytest.MonkeyPatch) -> None:
    step = stages.Stage("x", dict, rooms=("rules",), libraries=("numpy",))
    before = step.key({"a": 1})
    assert before == step.key({"a": 1}) != step.key({"a": 2})
    with monkeypatch.context() as patched:
        patched.setattr(stages, "library_version", lambda name: "0")
        assert step.key({"a": 1}) != before
    with monkeypatch.context() as patched:
        patched.setattr(stages, "code_of", lambda *rooms: "0")
        assert step.key({"a": 1}) != before


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda p: retune.open(p, traker="pyin"), 'no option "traker"; did you mean "tracker"?'),
        (lambda p: retune.analyze(p, kay="C major"), 'did you mean "key"?'),
        (lambda p: retune.analyze(p, key="C major"), "for a bare recording"),
        (lambda p: retune.plan(retune.open(p), variant="home", key="C major"), "comes too late"),
        (lambda p: retune.render(p, rules="x", variant="home"), "given: rules and variant"),
        (lambda p: retune.render(p), "exactly one of plan, rules, variant; given: none"),
        (lambda p: retune.compare(p, rules="x", variants=["home"]), "give one of"),
        (lambda p: retune.plan(retune.analyze(p), variant="home"), "an analysis knows no variants"),
    ],
)  # fmt: skip
def test_wrong_and_doubled_options_are_refused(
    path: Path, call: Callable[[Path], object], said: str
) -> None:
    with pytest.raises(UsageError, match=said.replace("?", r"\?")):
        call(path)


def test_a_cache_that_cannot_be_written_is_told_once(
    path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    blocked = path.parent / "file"
    blocked.write_text("")
    monkeypatch.setenv("RETUNE_CACHE", str(blocked / "cache"))
    with caplog.at_level(logging.WARNING, logger="retune"):
        for _ in range(2):
            assert names_of(retune.open(path)) == ["E4", "D4"]
    assert [r.getMessage() for r in caplog.records if "nothing is kept" in r.getMessage()] != []
    assert len(caplog.records) == 1


def test_a_plan_of_an_analysis_keeps_what_follows(tmp_path: Path) -> None:
    folder = tmp_path / "song"
    write_song(folder)
    sing(folder / "alto.wav", midi=(67.0, 65.0))
    harmony = '[stems.alto]\nfile = "alto.wav"\nrole = "harmony"\nfollow = "semitones"\n[music]'
    (folder / "song.toml").write_text(TEXT.replace("[music]", harmony))
    song = retune.open(folder / "song.toml")
    rule = "move phrase-ending degree 2 to degree 1"
    assert {edit.stem for edit in song.plan(rule).edits} == {"vocal", "alto"}
    assert retune.plan(song.analysis, rule) == song.plan(rule)


def test_words_for_a_person_are_short(path: Path) -> None:
    song = retune.open(path)
    plan = song.plan(variant="home")
    rendition = song.render(plan)
    shown = [song, song.analysis, song.analysis.melody, plan, rendition, rendition.stems["vocal"]]
    assert [str(value) for value in shown if len(str(value)) > 100] == []
    assert repr(plan) == "<Plan home: 1 edits>"


def test_a_small_rendition_is_made_once_and_a_large_one_is_not_kept(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = retune.open(path, use_cache=False)
    plan = opened.plan("move every degree 2 to degree 1")
    first, again = opened.render(plan), opened.render(replace(plan, name="other"))
    assert first.stems is again.stems
    assert again.name == again.plan.name == "other"
    monkeypatch.setattr("retune.pipeline.renditions.SMALL_BYTES", 0)
    up = opened.plan("move every degree 2 to degree 3")
    assert opened.render(up).stems is not opened.render(up).stems
