"""What is the user's own in a song file stays when the workbench changes something else in it."""

from __future__ import annotations

import itertools
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retune.song.songsave import SongEditor, edit_song
from retune.song.tomltext import with_line_ends

HEAD = """\
format = 1 # the head
# above the stems
[stems.vocal] # who sings
file = "vocal.wav"
role = "melody"
"""
LAYOUTS = {
    "out of order": """\
[variants.home] # inside home
rules = ["keep highest note"]
# between home and away
[variants.away]
rules = ["keep lowest note"]

# about the music
[music]
key = "C major"
# the last line
""",
    "rows between": """\
[variants.home]
rules = ["keep highest note"]
[[corrections]]
stem = "vocal"
at_s = 1.5
set = "drop"
# between the corrections
[[corrections]]
stem = "vocal"
at_s = 2.5
set = "drop"
# after them, with a line\u2028separator
[variants.away]
rules = [
  "keep lowest note", # why
]
""",
    "quoted": """\
['variants'."home"]
"rules" = ["keep highest note"]
# between
[  variants . away ]
rules = ["keep lowest note"]
""",
}
CHANGES: dict[str, Callable[[SongEditor], object]] = {
    "remove home": lambda editor: editor.remove_variant("home"),
    "remove away": lambda editor: editor.remove_variant("away"),
    "tell of away": lambda editor: editor.set_variant("away", ["keep lowest note"], about="new"),
    "uncorrect": lambda editor: editor.remove_corrections("vocal", 1.5),
}
INSIDE = {"remove home": {"inside home"}, "remove away": {"why"}}


def comments(text: str) -> set[str]:
    return {line.split("#", 1)[1].strip() for line in text.split("\n") if "#" in line}


@pytest.mark.parametrize(("layout", "change"), [*itertools.product(LAYOUTS, CHANGES)])
def test_comments_beside_what_is_removed_stay(layout: str, change: str, tmp_path: Path) -> None:
    path = tmp_path / "song.toml"
    (tmp_path / "vocal.wav").write_bytes(b"\n")
    before = HEAD + LAYOUTS[layout]
    path.write_text(before, encoding="utf-8")
    editor = edit_song(path)
    CHANGES[change](editor)
    editor.save()
    after = path.read_text(encoding="utf-8")
    assert comments(before) - comments(after) <= INSIDE.get(change, set())
    old, new = tomllib.loads(before), tomllib.loads(after)
    if change.startswith("remove"):
        del old["variants"][change.split()[1]]
    elif change == "tell of away":
        old["variants"]["away"]["about"] = "new"
    elif "corrections" in old:
        del old["corrections"][0]
    assert new == old


@given(
    lines=st.lists(st.tuples(st.sampled_from(["a", "b", "", "c = 1"]), st.booleans()), max_size=12),
    at=st.integers(0, 12),
    removed=st.integers(0, 3),
    added=st.lists(st.sampled_from(["a", "new"]), max_size=3),
)
def test_each_line_keeps_its_own_end(
    lines: list[tuple[str, bool]], at: int, removed: int, added: list[str]
) -> None:
    like = "".join(line + ("\r\n" if is_long else "\n") for line, is_long in lines)
    plain = like.replace("\r\n", "\n")
    assert with_line_ends(plain, like) == like
    rows = plain.split("\n")
    changed = "\n".join([*rows[:at], *added, *rows[at + removed :]])
    found = with_line_ends(changed, like)
    assert found.replace("\r\n", "\n") == changed
    own = like.split("\n")[: max(min(at, len(lines)) - 1, 0)]
    assert found.split("\n")[: len(own)] == own


def test_a_file_of_both_line_ends_keeps_them_when_it_is_saved(tmp_path: Path) -> None:
    path = tmp_path / "song.toml"
    (tmp_path / "vocal.wav").write_bytes(b"\n")
    lines = (HEAD + LAYOUTS["out of order"]).split("\n")
    before = "".join(line + ("\r\n" if n % 3 else "\n") for n, line in enumerate(lines))
    path.write_bytes(before.encode())
    editor = edit_song(path)
    assert editor.text() == before
    editor.set_variant("third", ["keep highest note"])
    editor.save()
    after = path.read_bytes().decode()
    kept = before.split("\n")
    assert not [row for row in kept if row not in after.split("\n")]
    editor.set_text(before)
    editor.save()
    assert path.read_bytes().decode() == before


@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_byte_order_mark_and_line_ends_stay(mark: bytes, end: str, tmp_path: Path) -> None:
    path = tmp_path / "song.toml"
    (tmp_path / "vocal.wav").write_bytes(b"\n")
    before = mark + (HEAD + LAYOUTS["out of order"]).replace("\n", end).encode()
    path.write_bytes(before)
    editor = edit_song(path)
    editor.set_variant("third", ["keep highest note"])
    editor.save()
    after = path.read_bytes()
    assert after.startswith(before[:120])
    assert after.count(b"\n") == after.count(end.encode())


def test_what_is_said_of_an_empty_list_of_corrections_stays(tmp_path: Path) -> None:
    path = tmp_path / "song.toml"
    (tmp_path / "vocal.wav").write_bytes(b"\n")
    path.write_text(HEAD.replace("\n", "\ncorrections = [] # none so far\n", 1))
    editor = edit_song(path)
    editor.add_correction("vocal", 1.0, "octave up")
    (row,) = editor.save().corrections
    assert (row.at_s, row.set) == (1.0, "octave up")
    assert "# none so far" in path.read_text()


@pytest.mark.parametrize("between", [1, 8])
def test_thousands_of_comments_in_a_list_stay(between: int, tmp_path: Path) -> None:
    """Changed one by one they would keep the program busy for minutes."""
    path = tmp_path / "song.toml"
    (tmp_path / "vocal.wav").write_bytes(b"\n")
    rows = "".join(
        f'  "shift highest note up {k % 9 + 1} semitones",\n' + f"  # c{k}\n" * between
        for k in range(190)
    )
    path.write_text(f"{HEAD}\n[variants.many]\nrules = [\n{rows}]\n", encoding="utf-8")
    wanted = ["keep lowest note", "keep highest note"]
    editor = edit_song(path)
    editor.set_variant("many", wanted)
    editor.save()
    text = path.read_text(encoding="utf-8")
    assert tomllib.loads(text)["variants"]["many"]["rules"] == wanted
    assert all(text.count(f"# c{k}\n") == between for k in range(190))
