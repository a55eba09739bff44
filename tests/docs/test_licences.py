"""Weights, letters and sounds that ship: each has its licence in the package and on the page."""

from __future__ import annotations

import fnmatch
import re
import tomllib
from pathlib import Path

import pytest

import retune

PACKAGE = Path(retune.__file__).parent
TOP = PACKAGE.parent
PAGE = (PACKAGE / "docs" / "rights.md").read_text(encoding="utf-8")
NAMED = [name for name in re.findall(r"`([^`]+)`", PAGE) if "." in name]
SUFFIXES = (".npz", ".ttf", ".woff2", ".flac")
BINARIES = sorted(
    path
    for folder in (PACKAGE, TOP / "demo_audio")
    for path in folder.rglob("*")
    if path.suffix in SUFFIXES
)


@pytest.mark.parametrize("path", BINARIES, ids=lambda path: path.name)
def test_every_file_that_is_no_text_has_its_licence_on_the_page(path: Path) -> None:
    kinds = [*NAMED, "retune-text-*.woff2"]
    assert any(fnmatch.fnmatch(path.name, kind) for kind in kinds)


def test_licences_are_packed() -> None:
    if not (TOP / "pyproject.toml").is_file():
        pytest.skip("an installation has no pyproject.toml")
    project = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert len(project["license-files"]) == 3
    for name in project["license-files"]:
        assert (TOP / name).stat().st_size > 500
        assert Path(name).name in PAGE
