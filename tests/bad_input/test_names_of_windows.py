"""Names that Windows keeps for devices, or cuts short, are refused or mapped on every system: a
song and what is made of it can be taken anywhere."""

from __future__ import annotations

from pathlib import Path

import pytest
from hostile_songs import refused, spoiled, write_song

from retune.carriers.errors import UsageError
from retune.carriers.text import file_stem, lost_on_windows
from retune.faces.batch_places import song_places
from retune.sound.folders import named_folder

DEVICES = ("con", "AUX", "Nul", "prn", "com1", "LPT9")


@pytest.mark.parametrize(
    "name", [*DEVICES, "aux.wav", "con .txt", "com\u00b2", "CONOUT$", "a.", "b "]
)
def test_what_windows_does_not_keep_is_known(name: str) -> None:
    assert lost_on_windows(name)


@pytest.mark.parametrize(
    "name", ["", ".", "..", "console", "auxiliary", "com10", "com", "a.con", "null"]
)
def test_all_else_is_good(name: str) -> None:
    assert not lost_on_windows(name)


@pytest.mark.parametrize("name", DEVICES)
@pytest.mark.parametrize("table", ["stems.bass", "variants.home"])
def test_no_stem_and_no_variant_is_called_so(
    name: str, table: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    song = write_song(tmp_path)
    kind = table.split(".")[0]
    song.write_text(spoiled(f"[{table}]", f"[{kind}.{name}]"), encoding="utf-8")
    words = refused(capsys, tmp_path, "analyze", song)
    assert f'"{name}" is a name that Windows keeps for a device; call the' in words


@pytest.mark.parametrize("name", DEVICES)
def test_a_song_called_so_gets_a_folder_of_another_name(name: str) -> None:
    named = song_places([f"{name}.wav", f"songs/{name}/song.toml"])
    found = [place.name for place in named]
    assert found == [f"{name}-song", f"{name}-song-2"]


def test_no_file_is_named_after_a_title_that_is_one() -> None:
    assert not any(lost_on_windows(file_stem(name)) for name in DEVICES)


@pytest.mark.parametrize(
    "words",
    [
        ("render", "SONG", "--all", "--out", "nul"),
        ("render", "SONG", "--all", "--out", "got./here"),
        ("batch", "SONG", "--out", "COM3"),
        ("batch", "SONG", "--out", "got", "--report", "got/aux"),
        ("batch", "SONG", "--report", "report "),
        ("compare", "SONG", "--out", "con.html"),
        ("export", "SONG", "--format", "midi", "--out", "Prn"),
        ("demo", "--out", "lpt1"),
    ],
    ids=" ".join,
)
def test_no_output_is_named_so(
    words: tuple[str, ...],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    song = write_song(tmp_path)
    monkeypatch.chdir(tmp_path)
    said = refused(capsys, tmp_path, *(song if word == "SONG" else word for word in words))
    assert "Windows" in said
    assert said.endswith("rename it")


def test_a_folder_of_such_a_name_that_is_there_is_used(tmp_path: Path) -> None:
    from retune.sound.folders import named_folder

    (tmp_path / "aux").mkdir()
    assert named_folder(tmp_path / "aux") == tmp_path / "aux"


@pytest.mark.parametrize("name", ["~", "~/renditions", "a/~/b"])
def test_no_folder_is_made_that_a_shell_takes_for_home(name: str, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="is your home folder to a shell"):
        named_folder(tmp_path / name)
    (tmp_path / name).mkdir(parents=True)
    assert named_folder(tmp_path / name) == (tmp_path / name).resolve()
