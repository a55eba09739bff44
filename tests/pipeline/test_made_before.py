"""What is the user's own in an output folder is never written over, nor removed."""

from __future__ import annotations

import json
import math
import re
import shutil
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

import retune
from retune.carriers.errors import OutputError, UsageError
from retune.comparison.displayed import Picture, Sound
from retune.comparison.encode import MIMES, encode_audio
from retune.pipeline.made_before import (
    is_record,
    refuse_filled,
    refuse_foreign,
    refuse_other_song,
    remove_version_files,
)
from retune.pipeline.manifest import write_record, written_manifest
from retune.sound import remembered
from retune.sound.audiowrite import is_as_written, write_wav
from retune.sound.files import copy_file
from retune.sound.made_files import made_file, refuse_other_file, refuse_unknown

EMPTY = "listener,sheet,trial,kind,passage,first,second,answer\n,1,1,pair,phrase 1,a,b,\n"


def own_wav(path: Path) -> Path:
    """A WAV file as every rendition has it."""
    info = {"INAM": "x", "ISFT": "retune 1.0"}
    write_wav(path, (), rate_hz=8000, n_channels=1, subtype="PCM_16", info=info)
    return path


@pytest.mark.parametrize("name", ["vocal.wav", "manifest.json", "picture.svg"])
@pytest.mark.parametrize("content", [b"", b"RIFF....WAVE", b'{"mine": 1}', b"\x00" * 50])
def test_what_others_made_is_refused(name: str, content: bytes, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(
        UsageError, match=r"was not made by retune(, or was changed since)?, so it is"
    ):
        refuse_foreign(tmp_path, [name])
    assert path.read_bytes() == content


@pytest.mark.parametrize("home", ["home", "original", "home/control"])
def test_a_manifest_makes_nothing_of_the_users_ours(home: str, tmp_path: Path) -> None:
    """A folder from somebody else brings its own manifests, which may claim any file."""
    folder = tmp_path / home
    folder.mkdir(parents=True)
    forged = {"retune": "1.0", "outputs": {"mix.wav": "0" * 64}, "address": ""}
    for place in (folder, folder.parent, tmp_path / "home", tmp_path / "other"):
        place.mkdir(exist_ok=True)
        (place / "manifest.json").write_text(json.dumps(forged), encoding="utf-8")
    (folder / "mix.wav").write_bytes(b"RIFF....WAVEa take of mine")
    with pytest.raises(UsageError, match=r"mix\.wav is there and was not made by retune"):
        refuse_foreign(folder, ["mix.wav", "manifest.json"])


@pytest.mark.parametrize("change", ["a sample", "the title", "a mark behind", "half", "unsealed"])
def test_a_rendition_that_was_edited_since_is_kept(change: str, tmp_path: Path) -> None:
    """Editors of sound keep the name of the program that made it."""
    path = tmp_path / "mix.wav"
    sound = np.linspace(-0.5, 0.5, 4001, dtype=np.float32)
    info = {"INAM": "A title", "ISFT": "retune 1.0"}
    write_wav(path, [sound], rate_hz=8000, n_channels=1, subtype="PCM_24", info=info)
    data = path.read_bytes()
    assert is_as_written(path)
    refuse_foreign(tmp_path, ["mix.wav"])
    seal = re.search(rb"retune 1.0 ([0-9a-f]{16})", data)
    assert seal is not None
    edited = {
        "a sample": data[:-100] + bytes([data[-100] ^ 1]) + data[-99:],
        "the title": data.replace(b"A title", b"B title"),
        "a mark behind": data + b"cue \4\0\0\0\0\0\0\0",
        "half": data[: len(data) // 2],
        "unsealed": data.replace(seal[1], b"0" * 16),
    }[change]
    path.write_bytes(edited)
    with pytest.raises(UsageError, match="or was changed since"):
        refuse_foreign(tmp_path, ["mix.wav"])
    remove_version_files(tmp_path, ["mix.wav"])
    assert path.read_bytes() == edited


def test_what_was_made_before_is_replaced(tmp_path: Path) -> None:
    own_wav(tmp_path / "mix.wav")
    (tmp_path / "manifest.json").write_text('{"retune": "1.0", "outputs": {}}', encoding="utf-8")
    refuse_foreign(tmp_path, ["mix.wav", "manifest.json", "nothing.wav"])


@pytest.mark.parametrize(
    ("name", "content", "head", "is_ours"),
    [
        ("song.mid", b"MThd by another program", "", False),
        ("song.mid", b"MThd of retune 1.0", "", False),
        ("song.mid", b"MThd\xff\x01\x0aretune 1.0", "", True),
        ("page.html", b"<!doctype html><p>my page", "", False),
        ("phrases.csv", b"artist,year\n", "song,variant", False),
        ("phrases.csv", b"\xef\xbb\xbfsong,variant,phrase\n", "song,variant", True),
        ("slides.pdf", b"%PDF", "", False),
    ],
)
def test_take_away_files(
    name: str, content: bytes, head: str, is_ours: bool, tmp_path: Path
) -> None:
    (tmp_path / name).write_bytes(content)
    if is_ours:
        refuse_other_file(tmp_path / name, head=head)
        return
    with pytest.raises(UsageError, match="left as it is"):
        refuse_other_file(tmp_path / name, head=head)


@pytest.mark.parametrize(
    ("text", "is_filled"),
    [
        (EMPTY, False),
        (EMPTY.replace("a,b,\n", "a,b,first\n"), True),
        (EMPTY.replace("\n,1", "\nanna,1"), True),
        (EMPTY.replace(",b,\n", ",b,frist\n"), True),
        ("notes of mine\n\0", True),
    ],
)
def test_answers_are_kept(text: str, is_filled: bool, tmp_path: Path) -> None:
    path = tmp_path / "answers.csv"
    path.write_text(text, encoding="utf-8")
    if not is_filled:
        refuse_filled(path)
        return
    with pytest.raises(UsageError, match="holds answers, which are kept"):
        refuse_filled(path)


def test_nothing_but_its_own_is_removed(tmp_path: Path) -> None:
    mine, out = tmp_path / "mine", tmp_path / "out"
    mine.mkdir()
    out.mkdir()
    (mine / "bass.wav").write_bytes(b"my bass")
    own_wav(out / "bass.wav")
    (out / "harp.wav").symlink_to(mine / "bass.wav")
    (out / "vocal.wav").write_bytes(b"my take")
    remove_version_files(out, ["bass.wav", "harp.wav", "vocal.wav", "none.wav"])
    assert sorted(path.name for path in out.iterdir()) == ["harp.wav", "vocal.wav"]
    assert (mine / "bass.wav").read_bytes() == b"my bass"


@pytest.fixture
def notes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(remembered, "_folder", lambda: tmp_path / "cache" / "made")
    return tmp_path / "cache" / "made"


def make(path: Path, content: str = "song,a\n1,2\n") -> None:
    with made_file(path, "w", head="song,") as stream:
        stream.write(content)


def test_a_file_that_was_edited_since_is_kept(notes: Path, tmp_path: Path) -> None:
    """Slides with new words, a table with a column filled in: the head is as it was."""
    path = tmp_path / "phrases.csv"
    make(path)
    make(path, "song,a\n3,4\n")
    path.write_text("song,a\n3,5\n", encoding="utf-8")
    with pytest.raises(UsageError, match=r"phrases.csv was changed since retune made it, so it"):
        make(path)
    assert path.read_text(encoding="utf-8") == "song,a\n3,5\n"
    path.rename(tmp_path / "mine.csv")
    make(path)


def test_what_nothing_is_known_of_is_known_by_its_head(notes: Path, tmp_path: Path) -> None:
    """As on another machine; a note that is damaged tells nothing."""
    path = tmp_path / "phrases.csv"
    make(path)
    for damage in (b"", b"12", b"x y", b"\xff\xff", b"1 2 3"):
        for note in notes.iterdir():
            note.write_bytes(damage)
        path.write_text("song,a\nedited\n", encoding="utf-8")
        make(path)
    for note in notes.iterdir():
        note.unlink()
    make(path)


@pytest.mark.parametrize("above", ["", "deep/er"])
def test_what_was_edited_in_a_folder_that_was_moved_is_kept(
    above: str, notes: Path, tmp_path: Path
) -> None:
    home = tmp_path / "out" / above
    home.mkdir(parents=True)
    make(home / "phrases.csv")
    (tmp_path / "out").rename(tmp_path / "for class")
    path = tmp_path / "for class" / above / "phrases.csv"
    make(path, "song,b\n")
    path.write_text("song,mine\n", encoding="utf-8")
    with pytest.raises(UsageError, match="was changed since"):
        make(path)
    (tmp_path / "for class").rename(tmp_path / "again")
    path = tmp_path / "again" / above / "phrases.csv"
    with pytest.raises(UsageError, match="was changed since"):
        make(path)
    home.mkdir(parents=True)
    make(home / "phrases.csv")


def test_nothing_but_notes_is_cleared_away(
    notes: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever names a folder of his own for the cache loses nothing in it."""
    monkeypatch.setattr(remembered, "MOST_NOTES", 0)
    monkeypatch.setattr("random.random", lambda: 0.0)
    notes.mkdir(parents=True)
    for name in ("diary.txt", "a.tmp", "0" * 63, "G" * 64):
        (notes / name).write_bytes(b"mine")
    make(tmp_path / "a.csv")
    assert sorted(path.name for path in notes.iterdir()) == [
        "0" * 63,
        "G" * 64,
        "a.tmp",
        "diary.txt",
    ]


def test_what_is_edited_after_a_write_that_failed_is_kept(notes: Path, tmp_path: Path) -> None:
    """A full disk, a signal: what stood there is known as before, whole and edited."""
    path = tmp_path / "phrases.csv"
    make(path)

    def fail() -> None:
        with made_file(path, "w", head="song,") as stream:
            stream.write("song,half")
            raise OutputError("no room")

    with pytest.raises(OutputError):
        fail()
    make(path, "song,whole\n")
    with pytest.raises(OutputError):
        fail()
    path.write_text("song,mine\n", encoding="utf-8")
    with pytest.raises(UsageError, match="was changed since"):
        make(path)


@pytest.mark.parametrize("moment", ["before its note", "before its name", "after its name"])
def test_what_is_edited_after_a_run_was_killed_is_kept(
    moment: str, notes: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Killed(BaseException):
        pass

    def die(*args: object, **options: object) -> None:
        raise Killed

    path = tmp_path / "phrases.csv"
    make(path)
    step = {
        "before its note": "retune.sound.made_files.remember",
        "before its name": "retune.sound.files._take_place",
        "after its name": "retune.sound.folders.HeldFolder.sync",
    }[moment]
    with monkeypatch.context() as patch:
        patch.setattr(step, die)
        with pytest.raises(Killed):
            make(path, "song,b\n")
    is_new = path.read_text(encoding="utf-8") == "song,b\n"
    assert is_new == (moment == "after its name")
    make(path, "song,c\n")
    path.write_text("song,mine\n", encoding="utf-8")
    with pytest.raises(UsageError, match="was changed since"):
        make(path)


def test_what_is_edited_while_it_is_made_again_is_kept(notes: Path, tmp_path: Path) -> None:
    """A film, a rendering: minutes pass between the first look and the end."""
    path = tmp_path / "phrases.csv"
    make(path)

    def edited_meanwhile() -> None:
        with made_file(path, "w", head="song,") as stream:
            stream.write("song,new\n")
            path.write_text("song,mine\n", encoding="utf-8")

    with pytest.raises(UsageError, match="was changed since"):
        edited_meanwhile()
    assert path.read_text(encoding="utf-8") == "song,mine\n"
    sound = own_wav(tmp_path / "mix.wav")

    def blocks() -> Iterator[Any]:
        yield np.zeros((10, 1), np.float32)
        sound.write_bytes(b"RIFFmy take")

    with pytest.raises(UsageError, match="was changed since"):
        write_wav(
            sound,
            blocks(),
            rate_hz=8000,
            n_channels=1,
            subtype="PCM_16",
            look_again=lambda: refuse_foreign(tmp_path, ["mix.wav"]),
        )
    assert sound.read_bytes() == b"RIFFmy take"


def test_nothing_can_be_noted_and_all_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "cache").write_bytes(b"no folder")
    monkeypatch.setattr(remembered, "_folder", lambda: tmp_path / "cache" / "made")
    make(tmp_path / "a.csv")
    make(tmp_path / "a.csv")


def test_notes_do_not_grow_without_end(
    notes: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(remembered, "MOST_NOTES", 6)
    monkeypatch.setattr("random.random", lambda: 0.0)
    for number in range(9):
        make(tmp_path / f"{number}.csv")
    assert len(list(notes.iterdir())) == 6


@pytest.mark.parametrize(
    ("title", "stems", "is_refused"),
    [
        ("", {"vocal": "other"}, True),
        ("", {"vocal": "first"}, False),
        ("Lantern Song", {"vocal": "other"}, False),
        ("Another Song", {"vocal": "other"}, True),
    ],
)
def test_two_songs_without_titles_are_not_taken_for_one(
    title: str, stems: dict[str, str], is_refused: bool, tmp_path: Path
) -> None:
    title = title or tmp_path.name  # as one without is called
    before = title if title == tmp_path.name else "Lantern Song"
    (tmp_path / "home").mkdir()
    facts = {"retune": "1.0.0", "outputs": {}, "title": before}
    manifest = facts | {"inputs": {"vocal": {"sha256": "first"}}}
    (tmp_path / "home" / "manifest.json").write_text(json.dumps(manifest))
    opened: Any = SimpleNamespace(
        song=SimpleNamespace(title=title, stems=stems, path=tmp_path / "song.toml"),
        sha256=stems.__getitem__,
    )
    if not is_refused:
        refuse_other_song(tmp_path, opened)
        return
    with pytest.raises(UsageError, match="versions of another song"):
        refuse_other_song(tmp_path, opened)


# --- one promise for every writer ----------------------------------------------------------------

WRITERS = {
    "sound/files.py",  # the writer itself, and copies, which look again
    "sound/made_files.py",
    "sound/audiowrite.py",  # looks again, as whoever calls it says
    "pipeline/manifest.py",  # the same
    "pipeline/demo.py",  # over nothing that is there
    "faces/web/api_new.py",  # the same
    "song/songsave.py",  # over the text alone that was read
    "faces/web/kept.py",  # in the cache folder
}


def test_every_writer_knows_what_it_replaces() -> None:
    home = Path(retune.__file__).parent
    files = {path for path in home.rglob("*.py") if "atomic_write(" in path.read_text("utf-8")}
    assert {path.relative_to(home).as_posix() for path in files} == WRITERS


def record(path: Path, **more: object) -> None:
    write_record(path, {"retune": "1.0", "outputs": {}, "address": "a", **more}, look_again=int)


@pytest.mark.parametrize("name", ["manifest.json", "original.json"])
def test_a_record_that_was_edited_since_is_kept(name: str, tmp_path: Path) -> None:
    """Somebody's remarks in it, on whatever machine; not how it is laid out."""
    path = tmp_path / name
    record(path, shift=0.1, title="Lantern Song \N{SNOWMAN}")

    def is_ours() -> bool:
        with suppress(UsageError):
            refuse_foreign(tmp_path, [name]) if name == "manifest.json" else refuse_unknown(
                path, is_record
            )
            return True
        return False

    assert is_ours()
    facts = json.loads(path.read_text("utf-8"))
    path.write_text(json.dumps(facts), encoding="utf-8")
    assert is_ours()
    for edited in (facts | {"remarks": "nice"}, facts | {"title": "mine"}, facts | {"x": math.nan}):
        path.write_text(json.dumps(edited), encoding="utf-8")
        assert not is_ours()
    assert written_manifest(path) is None
    old = {key: value for key, value in facts.items() if key != "checksum"}
    path.write_text(json.dumps(old), encoding="utf-8")
    assert is_ours(), "one of an older version has no checksum"


def test_what_comes_while_a_record_or_a_copy_is_made_is_kept(tmp_path: Path) -> None:
    path, source = tmp_path / "manifest.json", own_wav(tmp_path / "source.wav")

    def look() -> None:
        path.write_bytes(b"mine")
        refuse_foreign(tmp_path, [path.name])

    for make in (
        lambda: write_record(path, {"address": ""}, look_again=look),
        lambda: copy_file(source, path, look_again=look),
    ):
        path.unlink(missing_ok=True)
        with pytest.raises(UsageError, match="was not made by retune"):
            make()
        assert path.read_bytes() == b"mine"


@pytest.mark.parametrize("kind", ["picture", "flac", "opus"])
def test_a_picture_or_sound_falls_on_nothing_else(kind: str, notes: Path, tmp_path: Path) -> None:
    def value(level: float) -> Any:
        if kind == "picture":
            return Picture(f"<svg>{level}</svg>")
        return Sound(encode_audio(np.full(480, level, np.float32), 48_000, kind), MIMES[kind])

    path = tmp_path / "lantern"
    path.write_bytes(b"a drawing of mine")
    with pytest.raises(UsageError, match="was not made by retune"):
        value(0.1).write(path)
    assert path.read_bytes() == b"a drawing of mine"
    path.unlink()
    value(0.1).write(path)
    shutil.rmtree(notes)  # as on another machine
    value(0.2).write(path)
    path.write_bytes(path.read_bytes() + b"<!-- mine -->")
    with pytest.raises(UsageError, match="was changed since"):
        value(0.3).write(path)
