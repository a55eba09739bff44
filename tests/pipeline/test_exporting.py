"""Exports of the demo song through the pipeline and the command line."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from retune import pipeline
from retune.carriers.errors import UsageError
from retune.faces.cli import main
from retune.pipeline.export_formats import FORMATS
from retune.pipeline.export_job import ExportOptions
from retune.pipeline.opensong import OpenSong

LIGHT = ("midi", "musicxml", "csv", "jams", "lab", "svg", "png", "pdf", "pptx", "blind")


@pytest.fixture(scope="module")
def song(tmp_path_factory: pytest.TempPathFactory) -> OpenSong:
    return pipeline.open_song(pipeline.write_demo(tmp_path_factory.mktemp("song")))


@pytest.mark.slow
def test_every_light_format_twice_gives_the_same_bytes(song: OpenSong, tmp_path: Path) -> None:
    begin = pipeline.open_song(song.song.path, end="20s")
    assert begin.plan(variant="home-early").edits
    made = [
        pipeline.export(begin, formats=LIGHT, out=tmp_path / name, variants=["home-early"])
        for name in ("a", "b")
    ]
    names = [[path.name for path in one.paths] for one in made]
    assert names[0] == names[1]
    assert len(set(names[0])) == len(names[0])
    for one, other in zip(made[0].paths, made[1].paths, strict=True):
        data = one.read_bytes()
        assert data
        assert data == other.read_bytes(), one.name
        assert str(tmp_path).encode() not in data
    assert sorted(p for p in (tmp_path / "a").iterdir()) == sorted(made[0].paths)


def test_stems_for_a_daw(song: OpenSong, tmp_path: Path) -> None:
    made = pipeline.export(song, formats=["stems"], out=tmp_path, variants=["home-early"])
    names = [path.name for path in made.paths]
    assert names == sorted(names)
    assert names == [
        *("01-vocal-0-original.wav", "01-vocal-1-home-early.wav", "02-bass-0-original.wav"),
        *("03-harp-0-original.wav", "04-brushes-0-original.wav"),
    ]
    facts = [soundfile.info(path) for path in made.paths]
    assert {(fact.frames, fact.samplerate, fact.subtype) for fact in facts} == {
        (song.n_samples, song.rate_hz, "PCM_16")  # as the stems of the demo song have it
    }
    for path, stem in zip([made.paths[0], *made.paths[2:]], song.song.stems.values(), strict=True):
        got, _ = soundfile.read(path, dtype="int32", always_2d=True)
        want, _ = soundfile.read(stem.path, dtype="int32", always_2d=True)
        np.testing.assert_array_equal(got[: len(want)], want)
        assert not got[len(want) :].any()
    with soundfile.SoundFile(made.paths[1]) as file:
        assert "altered with retune: home-early" in file.comment
        assert file.copyright == song.song.rights
    head = made.paths[1].read_bytes()[:700]
    assert b"bext" in head
    assert b"altered with retune: home-early: move phrase-ending degree 2 to degree 1" in head


def test_rules_of_one_name_do_not_share_their_sound(song: OpenSong, tmp_path: Path) -> None:
    """Rules that are not saved are all called the same; each export renders its own."""
    heard = []
    for number, rule in enumerate(("shift vocal up 1 semitone in bar 4",
                                   "shift vocal down 1 semitone in bar 4")):  # fmt: skip
        out = tmp_path / str(number)
        made = pipeline.export(song, formats=["stems"], out=out, rules=[rule])
        (path,) = [path for path in made.paths if path.name.startswith("01-vocal-1-")]
        heard.append(path.read_bytes())
    assert heard[0] != heard[1]


def test_film_of_a_phrase(song: OpenSong, tmp_path: Path) -> None:
    import av

    choices = ExportOptions(film=("home-early",), passage=(None, None, "2"))
    made = pipeline.export(
        song, formats=["mp4"], out=tmp_path, variants=["home-early"], choices=choices
    )
    (path,) = made.paths
    assert path.name == "lantern-song-home-early.mp4"
    with av.open(str(path)) as container:
        assert 6 < container.duration / 1e6 < 12
        sound = np.concatenate([f.to_ndarray() for f in container.decode(audio=0)], axis=1)
    assert np.sqrt(np.mean(sound**2)) > 0.01


@pytest.mark.parametrize(
    ("formats", "choices", "message"),
    [
        (["tiff"], ExportOptions(), 'no export format "tiff"'),
        (["midy"], ExportOptions(), 'did you mean "midi"'),
        ([], ExportOptions(), "no export format was given"),
        (["mp4"], ExportOptions(film=("nope",)), '--film: no version "nope"'),
        (["mp4"], ExportOptions(film=("original",) * 21), "--film: more than 20 versions; leave"),
        (["musicxml"], ExportOptions(resolution=7), "8, 16, 32"),
    ],
)
def test_wrong_wishes(
    song: OpenSong, tmp_path: Path, formats: list[str], choices: ExportOptions, message: str
) -> None:
    with pytest.raises(UsageError, match=message):
        pipeline.export(
            song, formats=formats, out=tmp_path, variants=["home-early"], choices=choices
        )
    assert not [path for path in tmp_path.rglob("*") if path.is_file()]


def test_nothing_is_written_over_an_input(tmp_path: Path) -> None:
    path = pipeline.write_demo(tmp_path)
    target = tmp_path / "lantern-song-chords.lab"
    target.hardlink_to(tmp_path / "vocal.flac")
    before = (tmp_path / "vocal.flac").read_bytes()
    with pytest.raises(UsageError, match="is an input"):
        pipeline.export(path, formats=["lab"], out=tmp_path)
    assert (tmp_path / "vocal.flac").read_bytes() == before


def test_command_line(song: OpenSong, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["export", str(song.song.path), "--variant", "home-early", "--out", str(tmp_path)]
    assert main([*words, "--format", "lab, midi", "--bend", "--json"]) == 0
    out = capsys.readouterr().out
    assert json.loads(out)["files"] == [
        *("lantern-song-chords.lab", "lantern-song-beats.lab", "lantern-song.mid")
    ]
    assert main([*words, "--format", "lab,tiff"]) == 2
    err = capsys.readouterr().err
    assert err.startswith("retune: error: no export format")
    assert err.count("\n") == 1


def test_a_bare_recording_exports_its_original(
    song: OpenSong, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    vocal = str(song.song.stems["vocal"].path)
    code = main(["export", vocal, "--out", str(tmp_path), "--format", "midi,csv,svg", "--quiet"])
    capsys.readouterr()
    assert code == 0
    names = {path.name for path in tmp_path.iterdir()}
    assert {"vocal.mid", "vocal-notes.csv", "vocal-picture-original.svg"} <= names


def test_the_command_names_every_format(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["export", "--help"])
    out = " ".join(capsys.readouterr().out.split())
    assert ", ".join(FORMATS) in out
