"""However a song file is laid out, a change to it changes that alone, or is refused in words."""

from __future__ import annotations

import random
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from retune.carriers.errors import SongFileError
from retune.song.songsave import SongEditor, _said, edit_song

RULE = "move phrase-ending note to degree 1"
RULES = f'["{RULE}"]'
Tables = dict[str, Any]
STEMS = (
    '[stems.vocal]\nfile = "v.wav"\nrole = "melody"\n',
    '[stems]\nvocal.file = "v.wav"\nvocal.role = "melody"\n',
    'stems.vocal.file = "v.wav"\nstems.vocal.role = "melody"\n',
    'stems = {vocal = {file = "v.wav", role = "melody"}}\n',
)
MUSIC = ("", '[music]\nkey = "A major"\n', 'music.key = "A major"\n', 'music = {key = "A major"}\n')
ROW = 'stem = "vocal"\nat_s = {}\nset = "not an ending"\n'
CORRECTIONS = (
    "",
    "corrections = []\n",
    "".join(f"[[corrections]]\n{ROW.format(k)}" for k in (0.5, 1.5)),
    "corrections = [" + "{" + ROW.format(0.5).strip().replace("\n", ", ") + "}, # mine\n]\n",
)


def variants(pick: random.Random) -> list[str]:
    names = pick.sample(["a", "b", "long-name"], pick.randint(0, 3))
    forms: list[Callable[[str], str]] = [
        lambda name: f"[variants.{name}]\nrules = {RULES}\n# after {name}\n",
        lambda name: f"variants.{name}.rules = {RULES}\n",
        lambda name: f"variants.{name} = {{ rules = {RULES} }}\n",
    ]
    whole = pick.choice([*forms, None])
    if whole is None and names:
        rows = "".join(f"{name}.rules = {RULES}\n{name}.about = 'x'\n" for name in names)
        return [f"[variants]\n{rows}"]
    return [whole(name) for name in names] if whole else []


def laid_out(pick: random.Random) -> str:
    """A song file: what has no head stands first, all else in any order."""
    parts = [pick.choice(STEMS), pick.choice(MUSIC), pick.choice(CORRECTIONS), *variants(pick)]
    pick.shuffle(parts)
    parts.sort(key=lambda part: part.startswith("["))
    return "format = 1\n" + "".join(parts)


def change(pick: random.Random, editor: SongEditor, said: Tables) -> None:
    """One change, made on the file and on what it says."""
    there = said.get("variants", {})
    match pick.randrange(7):
        case 0:
            editor.set_variant("new", [RULE], about="why")
            said.setdefault("variants", {})["new"] = {"about": "why", "rules": [RULE]}
        case 1 if there:
            name = pick.choice(sorted(there))
            editor.remove_variant(name)
            del there[name]
        case 2:
            editor.add_correction("vocal", 2.5, "not an ending")
            row = {"stem": "vocal", "at_s": 2.5, "set": "not an ending"}
            said.setdefault("corrections", []).append(row)
        case 3:
            editor.remove_corrections("vocal", 0.5)
            rows = said.get("corrections", [])
            said["corrections"] = [row for row in rows if row["at_s"] != 0.5]
        case 4:
            editor.set_music(key="D minor", tempo_bpm=90.0)
            said.setdefault("music", {}).update(key="D minor", tempo_bpm=90.0)
        case 5:
            editor.set_music(key=None)
            said.setdefault("music", {}).pop("key", None)
        case _:
            editor.set_stem("vocal", "gain_db", -3.0)
            said["stems"]["vocal"]["gain_db"] = -3.0


@pytest.mark.parametrize("seed", range(4))
def test_a_change_changes_that_alone(seed: int, tmp_path: Path) -> None:
    path = tmp_path / "song.toml"
    refused, told = 0, set[str]()
    for number in range(20):
        pick = random.Random(1000 * seed + number)
        text = laid_out(pick)
        path.write_text(text, encoding="utf-8")
        (tmp_path / "v.wav").touch()
        editor, said = edit_song(path), tomllib.loads(text)
        try:
            for _ in range(pick.randint(1, 4)):
                change(pick, editor, said)
            editor.checked()
        except SongFileError as error:
            refused += 1
            told.add(str(error).removeprefix(f"{path} ").split(":")[0])
            continue
        assert _said(tomllib.loads(editor.text())) == _said(said), text
    assert refused < 10
    assert told <= {"cannot be changed in place as it is laid out, and is left as it is"}


def test_a_variant_that_the_layout_would_lose_is_kept(tmp_path: Path) -> None:
    """Found at random: of two variants in dotted keys tomlkit takes the other out as well."""
    path = tmp_path / "song.toml"
    (tmp_path / "v.wav").touch()
    rows = "".join(f"variants.{name}.rules = {RULES}\n" for name in "ac")
    path.write_text(f"format = 1\n{rows}{STEMS[1]}", encoding="utf-8")
    editor = edit_song(path)
    editor.set_variant("new", [RULE])
    editor.remove_variant("new")
    editor.remove_variant("a")
    with pytest.raises(SongFileError, match="cannot be changed in place as it is laid out"):
        editor.save()
    assert set(tomllib.loads(path.read_text(encoding="utf-8"))["variants"]) == {"a", "c"}


@pytest.mark.parametrize("error", [IndexError, KeyError, TypeError, AttributeError])
def test_a_fault_of_the_layout_is_told_in_words(
    error: type[Exception], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "song.toml"
    (tmp_path / "v.wav").touch()
    path.write_text(f"format = 1\n{STEMS[0]}", encoding="utf-8")
    editor = edit_song(path)

    def fail(*_: object, **__: object) -> None:
        raise error("list index out of range")

    monkeypatch.setattr(SongEditor, "_table", fail)
    with pytest.raises(SongFileError, match=r"write each of its tables with a head"):
        editor.set_variant("new", [RULE])
