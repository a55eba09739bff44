"""Whatever a command makes it makes again over its own files, and over nobody else's of the same
names: each is the user's once he has put something else there."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from hostile_songs import run, seen, write_song

from retune.pipeline.export_formats import FORMATS
from retune.pipeline.made_before import are_records
from retune.sound.made_files import refuse_other_file

SONG = "song/song.toml"
ANSWERS = "listener,sheet,trial,kind,passage,first,second,answer\na,1,1,pair,p,original,b,first\n"
SLOW = ("png", "pdf", "pptx", "mp4", "jams", "musicxml", "stems", "blind", "svg")
RECORDS = ("batch.json", "endings.json", "manifest.json", "original.json", "picture.svg")
COMMANDS = {
    **{f"export {n}": ("export", SONG, "--format", n, "--out", "out") for n in FORMATS},
    "render": ("render", SONG, "--all", "--out", "out"),
    "report": ("batch", SONG, "--out", "out", "--report", "report"),
    "study": ("batch", SONG, "--report", "out", "--format", "csv,parquet,jams"),
    "compare": ("compare", SONG, "--out", "out/page.html"),
    "compare text": ("compare", SONG, "--out", "out/diary.txt"),
    "voice": ("voice", "song/vocal.wav", "--out", "out/voice.wav"),
    "tally": ("tally", "answers.csv", "--plot", "out/shares.svg"),
    "tally text": ("tally", "answers.csv", "--plot", "out/diary.txt"),
}


def marked(name: str) -> object:
    is_slow = name.removeprefix("export ") in SLOW or name in ("render", "compare text", "study")
    return pytest.param(name, marks=pytest.mark.slow if is_slow else ())


@pytest.fixture
def room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    write_song(tmp_path / "song")
    (tmp_path / "answers.csv").write_text(ANSWERS)
    (tmp_path / "out").mkdir()
    monkeypatch.chdir(tmp_path)
    yield tmp_path
    shutil.rmtree(tmp_path / "out")


@pytest.mark.parametrize("command", list(map(marked, COMMANDS)))
def test_only_its_own_files_are_replaced(
    command: str, room: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = (*COMMANDS[command], "--quiet")
    before = seen(room)
    assert run(capsys, *words).code == 0
    made = {name: what for name, what in seen(room).items() if name not in before}
    files = [name for name in made if (room / name).is_file()]
    assert files
    again = run(capsys, *words)
    assert again.code == 0, again.err
    edited = next(name for name in sorted(files) if Path(name).name not in RECORDS)
    content = (room / edited).read_bytes()
    (room / edited).write_bytes(content + b"\n")
    answer = run(capsys, *words)
    assert answer.code in (1, 2)
    assert "changed since" in answer.err or "holds answers" in answer.err
    assert (room / edited).read_bytes() == content + b"\n"
    for name in files:
        (room / name).write_bytes(b"a diary of retune 1.0, in a file called " + name.encode())
    own = {name: what for name, what in seen(room).items() if name in files}
    answer = run(capsys, *words)
    assert answer.code in (1, 2)
    assert "was not made by retune" in answer.err or "holds answers" in answer.err
    assert {name: seen(room)[name] for name in files} == own


@pytest.mark.parametrize(
    ("content", "is_ours"),
    [
        (b"", False),
        (b"my own", False),
        (b"<!-- retune 1.0 -->", True),
        (b"<p>what I think of (retune 1.0)</p>\n# retune 1.0", False),
        (bytes(5_000_000) + b"data\0\0\0\1\0\0\0\0retune 1.0" + bytes(900_000), True),
    ],
)
def test_a_file_is_known_by_its_first_and_last_part(
    content: bytes, is_ours: bool, tmp_path: Path
) -> None:
    from retune.carriers.errors import UsageError

    path = tmp_path / "film.mp4"
    path.write_bytes(content)
    if is_ours:
        refuse_other_file(path)
    else:
        with pytest.raises(UsageError, match="was not made by retune"):
            refuse_other_file(path)


@pytest.mark.parametrize("content", ["[1, 2]", '[{"state": "mine"}]', '[\n {\n  "a": 1\n }\n]'])
def test_a_list_of_somebody_elses_is_no_report(content: str, tmp_path: Path) -> None:
    from retune.carriers.errors import UsageError

    path = tmp_path / "batch.json"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(UsageError, match="was not made by retune"):
        refuse_other_file(path, is_ours=are_records("state"))
    path.write_text("[]\n", encoding="utf-8")
    refuse_other_file(path, is_ours=are_records("state"))


def test_a_pitch_track_that_is_read_is_never_written_over(
    room: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ("export", SONG, "--format", "csv", "--out", "out", "--quiet")
    assert run(capsys, *words).code == 0
    (track,) = (room / "out").glob("*-f0-vocal.csv")
    kept = track.read_bytes()
    answer = run(capsys, *words, "--tracker", f"csv:{track}")
    assert answer.code == 2
    assert "is an input" in answer.err
    assert track.read_bytes() == kept
