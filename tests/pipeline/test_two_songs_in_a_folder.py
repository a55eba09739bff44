"""Two songs whose titles give one name for files never cost each other a file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from retune import pipeline
from retune.carriers.errors import UsageError
from retune.faces.batch_places import song_places
from retune.pipeline.study import Study, run_study
from retune.sound.remembered import known, remember

FORMATS = ("midi", "musicxml", "csv", "jams", "lab", "svg", "blind", "stems")
RATE_HZ = 8000


def write_song(folder: Path, *, title: str, hz: float) -> Path:
    folder.mkdir(parents=True)
    seconds = np.arange(2 * RATE_HZ) / RATE_HZ
    sound = 0.2 * sum(np.sin(2 * np.pi * hz * n * seconds) / n for n in range(1, 5))
    soundfile.write(folder / "vocal.wav", sound, RATE_HZ)
    said = f'title = "{title}"\n' if title else ""
    (folder / "song.toml").write_text(
        f'format = 1\n{said}[stems.vocal]\nfile = "vocal.wav"\nrole = "melody"\n'
        '[music]\nkey = "A major"\nmeter = "2/4"\ntempo_bpm = 60\nfirst_downbeat_s = 0\n'
        '[variants.up]\nrules = ["shift phrase-ending note up 1 scale step"]\n',
        encoding="utf-8",
    )
    return folder / "song.toml"


def contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.mark.parametrize(
    ("titles", "is_refused"),
    [
        (("", ""), True),
        (("One Title", "One Title"), True),
        (("Über uns", "uber (uns)"), True),
        (("灯笼", "夜曲"), False),
        (("x" * 90 + "a", "x" * 90 + "b"), False),
    ],
)
def test_exports_of_one_song_stay(
    titles: tuple[str, str], is_refused: bool, tmp_path: Path
) -> None:
    paths = [
        write_song(tmp_path / str(n) / "verse", title=title, hz=220 + 30 * n)
        for n, title in enumerate(titles)
    ]
    songs = [pipeline.open_song(path) for path in paths]
    out = tmp_path / "out"
    before = {}
    for form in FORMATS:
        pipeline.export(songs[0], formats=[form], out=out)
        before |= contents(out)
    for form in FORMATS:
        if is_refused:
            with pytest.raises(UsageError, match="was made of another song with the same name"):
                pipeline.export(songs[1], formats=[form], out=out)
        else:
            pipeline.export(songs[1], formats=[form], out=out)
    after = contents(out)
    assert {name: after[name] for name in before} == before
    assert (after == before) == is_refused
    pipeline.export(songs[0], formats=["midi", "stems"], out=out)  # its own it may replace


def test_what_is_studied_of_one_song_stays(tmp_path: Path) -> None:
    paths = [write_song(tmp_path / n / "verse", title="", hz=220) for n in "ab"]
    start = str(tmp_path / "out" / "verse")
    (tmp_path / "out").mkdir()
    studied = [run_study(Study(str(path), "verse", jams=start)) for path in paths]
    assert [record["state"] for record in studied] == ["done", "failed"]
    assert "another song" in studied[1]["error"]


def test_a_song_file_that_is_gone_stands_in_nobodys_way(tmp_path: Path) -> None:
    path = write_song(tmp_path / "a" / "verse", title="", hz=220)
    pipeline.export(pipeline.open_song(path), formats=["lab"], out=tmp_path / "out")
    path.parent.rename(tmp_path / "a" / "moved").joinpath("song.toml")
    moved = path.parent.with_name("moved") / "song.toml"
    moved.write_text('title = "verse"\n' + moved.read_text(encoding="utf-8"), encoding="utf-8")
    pipeline.export(pipeline.open_song(moved), formats=["lab"], out=tmp_path / "out")


@pytest.mark.parametrize("name", ["song.toml", "a song.toml", "\udcff.toml", "灯.toml"])
def test_the_song_of_a_file_is_known_by_any_name(name: str, tmp_path: Path) -> None:
    (tmp_path / "made").write_bytes(b"x")
    remember(tmp_path / "made", song=tmp_path / name)
    assert known(tmp_path / "made").song == (tmp_path / name).resolve()
    remember(tmp_path / "made")
    assert known(tmp_path / "made").song is None


def test_songs_without_a_latin_letter_have_folders_of_their_own_in_any_order() -> None:
    songs = ["灯/song.toml", "夜/song.toml", "月.toml"]
    one, other = (
        {place.text: place.name for place in song_places(order)} for order in (songs, songs[::-1])
    )
    assert one == other
    assert len(set(one.values())) == 3
