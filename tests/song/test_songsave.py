"""Song files changed in place: only what was asked, comments kept, nothing half-written."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retune.carriers.errors import OutputError, SongFileError, UsageError
from retune.carriers.songfacts import Correction, Variant
from retune.song.songfile import parse_song, read_song
from retune.song.songsave import edit_song

TEXT = """\
# The lantern, take 3
format = 1   # of this file
title = "Lantern Song"

[stems.vocal]
file = "vocal.flac"   # sung in one go
role = "melody"

[music]
meter = "3/4"
tempo_bpm = 92.0 # steady

[variants.home-early]
# why: to hear it close
rules = ["keep every note"]
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    (tmp_path / "vocal.flac").write_bytes(b"")
    (tmp_path / "song.toml").write_bytes(TEXT.encode())
    return tmp_path / "song.toml"


def test_no_change_writes_the_same_bytes(path: Path) -> None:
    edit_song(path).save()
    assert path.read_bytes() == TEXT.encode()


def test_changes_keep_comments_and_all_else(path: Path) -> None:
    editor = edit_song(path)
    editor.set_variant("home-early", ["move every note to degree 1"])
    editor.set_variant("late", ["keep every note", "shift vocal up 1 octave"], about="later")
    editor.set_music(tempo_bpm=96, phrases=[[0, 4.5], [4.5, 9]])
    editor.add_correction("vocal", 12.4, "pitch F4")
    editor.add_correction("vocal", 3, "drop")
    song = editor.save()
    text = path.read_text()
    for kept in (
        "# The lantern, take 3",
        "# of this file",
        "# sung in one go",
        "# steady",
        "# why",
    ):
        assert kept in text
    assert song == read_song(path)
    assert song.variants == {
        "home-early": Variant("home-early", ("move every note to degree 1",)),
        "late": Variant("late", ("keep every note", "shift vocal up 1 octave"), "later"),
    }
    assert song.music.tempo_bpm == 96.0
    assert song.music.phrases == ((0.0, 4.5), (4.5, 9.0))
    assert song.corrections == (
        Correction("vocal", 12.4, "pitch F4"),
        Correction("vocal", 3.0, "drop"),
    )


def test_what_was_added_can_be_taken_away(path: Path) -> None:
    editor = edit_song(path)
    editor.add_correction("vocal", 12.4, "pitch F4")
    editor.add_correction("vocal", 12.4, "ending here")
    editor.set_music(tuning_hz=441)
    editor.save()
    assert editor.remove_corrections("vocal", 12.4, "drop") == 0
    assert editor.remove_corrections("vocal", 12.4, "ending here") == 1
    assert editor.remove_corrections("vocal", 12.4) == 1
    assert editor.remove_corrections("vocal", 12.4) == 0
    editor.set_music(tuning_hz=None)
    editor.remove_variant("home-early")
    song = editor.save()
    assert (song.corrections, song.variants, song.music.tuning_hz) == ((), {}, None)
    editor.add_correction("vocal", 1, "split")
    assert editor.save().corrections == (Correction("vocal", 1.0, "split"),)


def test_tables_that_are_not_there_are_made(path: Path) -> None:
    path.write_text('format = 1\n[stems.vocal]\nfile = "vocal.flac"\nrole = "melody"\n')
    editor = edit_song(path)
    editor.set_variant("a", ["keep every note"], about="x")
    editor.set_music(meter="6/8")
    song = editor.save()
    assert song.variants == {"a": Variant("a", ("keep every note",), "x")}
    assert song.music.meter == (6, 8)


STYLES = [
    "variants = {}\ncorrections = []\n",
    'variants = {a = {rules = ["x"]}}\n',
    'corrections = [{stem = "vocal", at_s = 1, set = "drop"}]\n',
    'music = {meter = "3/4"}\n',
    'music.meter = "3/4"\nvariants.a.rules = ["x"]\n',
    "[variants]\n[music]\n",
    '[variants.b]\nrules = ["x"]\n[music]\nmeter = "3/4"\n[variants.a]\nrules = ["y"]\n',
    '[[corrections]]\nstem = "vocal"\nat_s = 1\nset = "drop"\n[music]\n'
    '[[corrections]]\nstem = "vocal"\nat_s = 2\nset = "drop"\n',
    '[variants.a]\nrules = ["x"] # c\n# tail\n[variants.b]\nrules = ["z"]\n# end',
]


@pytest.mark.parametrize("style", STYLES)
def test_every_way_of_writing_a_table_can_be_changed(path: Path, style: str) -> None:
    stem = 'stems.vocal.file = "vocal.flac"\nstems.vocal.role = "melody"\n'
    path.write_text(f"format = 1\n{stem}{style}")
    editor = edit_song(path)
    before = editor.song
    editor.set_variant("a", ["r", "s"], about="q")
    editor.set_variant("new", ["t"])
    editor.set_music(tempo_bpm=100, phrases=[[0, 1], [2, 3]])
    editor.add_correction("vocal", 5, "split")
    editor.add_correction("vocal", 6, "merge next")
    removed = editor.remove_corrections("vocal", 1)
    song = editor.save()
    added = {"a": Variant("a", ("r", "s"), "q"), "new": Variant("new", ("t",))}
    assert song.variants == {**before.variants, **added}
    assert song.music.meter == before.music.meter
    assert (song.music.tempo_bpm, song.music.phrases) == (100.0, ((0.0, 1.0), (2.0, 3.0)))
    kept = tuple(row for row in before.corrections if row.at_s != 1)
    assert len(before.corrections) - len(kept) == removed
    new = (Correction("vocal", 5.0, "split"), Correction("vocal", 6.0, "merge next"))
    assert song.corrections == (*kept, *new)


def test_a_change_that_makes_no_song_is_refused(path: Path) -> None:
    editor = edit_song(path)
    editor.set_variant("bad name", ["keep every note"])
    with pytest.raises(SongFileError, match='"bad name" cannot name a variant'):
        editor.save()
    editor = edit_song(path)
    editor.add_correction("bass", 1, "drop")
    with pytest.raises(SongFileError, match='no stem is called "bass"'):
        editor.save()
    editor = edit_song(path)
    with pytest.raises(UsageError, match=r"\[music\] has no tempo; it has key"):
        editor.set_music(tempo=92)
    with pytest.raises(UsageError, match='no variant is called "none"'):
        editor.remove_variant("none")
    assert path.read_bytes() == TEXT.encode()


def test_a_change_by_someone_else_is_not_lost(path: Path) -> None:
    editor = edit_song(path)
    editor.set_music(tempo_bpm=100)
    path.write_text(TEXT + "# mine\n")
    with pytest.raises(SongFileError, match="was changed by something else since it was read"):
        editor.save()
    assert path.read_text() == TEXT + "# mine\n"
    path.unlink()
    with pytest.raises(SongFileError, match="has gone; nothing is saved"):
        editor.save()


def test_one_editor_saves_again_and_again(path: Path) -> None:
    editor = edit_song(path)
    for tempo in (100, 101, 102):
        editor.set_music(tempo_bpm=tempo)
        assert editor.save().music.tempo_bpm == tempo


def test_a_disk_that_fails_leaves_the_old_file(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    editor = edit_song(path)
    editor.set_music(tempo_bpm=100)
    monkeypatch.setattr(os, "fsync", lambda _: (_ for _ in ()).throw(OSError(28, "No space")))
    with pytest.raises(OutputError, match="the disk is full"):
        editor.save()
    assert path.read_bytes() == TEXT.encode()
    assert sorted(os.listdir(path.parent)) == ["song.toml", "vocal.flac"]


def test_line_ends_stay_those_of_the_file(path: Path) -> None:
    path.write_bytes(TEXT.replace("\n", "\r\n").encode())
    editor = edit_song(path)
    editor.set_variant("late", ["a", "b"])
    editor.save()
    data = path.read_bytes()
    assert data.count(b"\n") == data.count(b"\r\n")
    assert list(read_song(path).variants) == ["home-early", "late"]


RULES = st.text(st.characters(exclude_categories=["Cc", "Cs"]), max_size=30)


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("song")
    (home / "vocal.flac").write_bytes(b"")
    (home / "song.toml").write_bytes(TEXT.encode())
    return home / "song.toml"


@given(
    rules=st.lists(RULES, min_size=1, max_size=3),
    about=RULES,
    corrections=st.lists(st.floats(0, 86400), max_size=4),
)
def test_any_text_survives_the_file(
    shared: Path, rules: list[str], about: str, corrections: list[float]
) -> None:
    editor = edit_song(shared)
    editor.set_variant("any", rules, about=about)
    for at_s in corrections:
        editor.add_correction("vocal", at_s, "octave down")
    song = parse_song(editor.text(), path=shared)
    assert song.variants["any"] == Variant("any", tuple(rules), about)
    assert song.corrections == tuple(Correction("vocal", t, "octave down") for t in corrections)
    for at_s in corrections:
        editor.remove_corrections("vocal", at_s)
    editor.remove_variant("any")
    restored = parse_song(editor.text(), path=shared)
    assert (restored.variants, restored.corrections) == (editor.song.variants, ())
