"""The contributor's table "where would I add ...?" names every file."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import retune

PACKAGE = Path(retune.__file__).parent
ROOT = PACKAGE.parent
TABLE = (
    (ROOT / "DEVELOPERS.md").read_text("utf-8").split("## Where would I add")[1].split("\n## ")[0]
)
ROWS = {
    cells[0].strip(): [cell.strip() for cell in cells[1:]]
    for line in TABLE.splitlines()
    if line.startswith("| ") and len(cells := line.strip("|").split("|")) == 4
    if "`" in cells[1]
}
PATH = re.compile(r"`((?:tests/)?[\w/-]+\.(?:py|md|js|html|txt))`")


def holders(word: str) -> set[str]:
    """Files of the package that hold a word as a name, not in running text."""
    name = re.escape(word)
    held = re.compile(rf"""["'`]{name}["'`]|\b{name.upper()}\b|,{name},|{name} or csv""")
    return {
        path.relative_to(PACKAGE).as_posix()
        for path in PACKAGE.rglob("*")
        if path.suffix in {".py", ".md", ".js", ".html"} and held.search(path.read_text("utf-8"))
    }


def test_it_answers_what_a_newcomer_asks() -> None:
    asked = {"rule word", "export", "tracker", "engine", "consequence", "screen word"}
    assert set(ROWS) == asked


@pytest.mark.parametrize("what", ROWS)
def test_every_file_it_names_is_there(what: str) -> None:
    _, files, tests = ROWS[what]
    named = PATH.findall(files)
    assert named
    for name in named:
        near = PACKAGE / Path(named[0]).parent / name
        assert (PACKAGE / name).is_file() or near.is_file(), name
    for name in PATH.findall(tests):
        assert (ROOT / name).is_file(), name


@pytest.mark.parametrize("what", sorted(set(ROWS) - {"screen word"}))
def test_it_names_every_file_that_holds_the_example(what: str) -> None:
    like, files, _ = ROWS[what]
    held = holders(like.strip("`"))
    assert len(held) > 1
    assert held - set(PATH.findall(files)) == set()
