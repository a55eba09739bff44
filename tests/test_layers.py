"""The import rule: faces -> pipeline -> rooms -> song -> theory, sound -> carriers; no sibling, no
circle."""

from __future__ import annotations

import ast
import graphlib
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import retune

ROOT = Path(retune.__file__).parent
BASE = ("carriers", "theory", "sound", "song")
ROOMS = ("separate", "track", "analysis", "rules", "repitch", "comparison")
MAY_IMPORT: dict[str, set[str]] = {
    "carriers": {"carriers"},
    "theory": {"theory", "carriers"},
    "sound": {"sound", "carriers"},
    "song": {"song", "theory", "sound", "carriers"},
    **{room: {room, *BASE} for room in ROOMS},
    "pipeline": {*ROOMS, *BASE, "pipeline"},
    "faces": {"faces", "pipeline", "comparison", *BASE},
    "__init__": {"pipeline", "comparison", "theory", "carriers"},  # the names that are public
    "__main__": {"faces"},
}


def imported_rooms(path: Path) -> Iterator[tuple[str, int]]:
    """Yield (first part below `retune`, line) of every import of ours, at any depth."""
    package = ("retune", *path.relative_to(ROOT).parts[:-1])
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = list(package[: len(package) - node.level + 1]) if node.level else []
            prefix = ".".join([*base, *([node.module] if node.module else [])])
            names = [f"{prefix}.{alias.name}" for alias in node.names]
        else:
            continue
        for name in names:
            parts = name.split(".")
            if parts[0] == "retune" and len(parts) > 1:
                yield parts[1], node.lineno


def room_of(path: Path) -> str:
    first = path.relative_to(ROOT).parts[0]
    return first.removesuffix(".py")


@pytest.mark.parametrize("path", sorted(ROOT.rglob("*.py")), ids=lambda p: str(p.relative_to(ROOT)))
def test_a_file_imports_only_what_its_room_may(path: Path) -> None:
    if "demo_audio" in path.parts:
        pytest.skip("the demo's maker is data, not part of the program")
    allowed = MAY_IMPORT[room_of(path)]
    for room, line in imported_rooms(path):
        if (ROOT / room).is_dir() or (ROOT / f"{room}.py").exists():
            assert room in allowed, f"{path}:{line} imports retune.{room}"


def imported_files(path: Path) -> Iterator[Path]:
    """Every file of ours that this one imports when it is loaded or by a function of it."""
    package = ("retune", *path.relative_to(ROOT).parts[:-1])
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = list(package[: len(package) - node.level + 1]) if node.level else []
            prefix = ".".join([*base, *([node.module] if node.module else [])])
            names = [prefix, *(f"{prefix}.{alias.name}" for alias in node.names)]
        else:
            continue
        for name in names:
            stem = ROOT.parent.joinpath(*name.split("."))
            if stem.with_suffix(".py").is_file():
                yield stem.with_suffix(".py")


def test_no_files_import_each_other_in_a_circle() -> None:
    graph = {path: set(imported_files(path)) - {path} for path in sorted(ROOT.rglob("*.py"))}
    try:
        tuple(graphlib.TopologicalSorter(graph).static_order())
    except graphlib.CycleError as error:
        circle = " -> ".join(str(path.relative_to(ROOT)) for path in error.args[1])
        pytest.fail(f"files import each other in a circle: {circle}")


def test_no_file_is_long() -> None:
    lengths = {path: len(path.read_text("utf-8").splitlines()) for path in ROOT.rglob("*.py")}
    assert not [path for path, n_lines in lengths.items() if n_lines > 400]


def test_help_needs_no_heavy_library() -> None:
    code = (
        "import sys; from retune.faces import cli; cli.build_parser().format_help();"
        "heavy = {'librosa', 'numba', 'scipy', 'matplotlib', 'lark', 'starlette', 'soundfile'};"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_no_line_of_a_template_is_long() -> None:
    """The formatter of the other pages does not read templates."""
    pages = sorted(ROOT.rglob("templates/*.html"))
    assert pages
    assert not [path for path in pages if max(map(len, path.read_text("utf-8").split("\n"))) > 120]
