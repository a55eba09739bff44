"""The README: every block reads or runs as printed, in the folder that `retune demo` leaves."""

from __future__ import annotations

import glob
import re
import shlex
import tomllib
from pathlib import Path

import pytest

import retune
from retune import pipeline
from retune.faces.cli import COMMANDS, build_parser, main
from retune.rules import parse_rule

TOP = Path(retune.__file__).parent.parent
README = TOP / "README.md"
if not README.is_file():
    pytest.skip("an installation has no README", allow_module_level=True)
TEXT = README.read_text(encoding="utf-8")
FENCE = re.compile(r"^```([a-z]*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
STEMS = ("vocal", "bass", "harp", "brushes")
SET_UP = (
    "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/retune demo",
    ".venv/bin/pip install -e '.[test]' && .venv/bin/pytest",
)
LONG = ("batch", "compare", "verify", "mix.toml")


def block(kind: str) -> list[str]:
    found = [text for name, text in FENCE.findall(TEXT) if name == kind]
    assert found, kind
    return found


SHELL = [line for text in block("sh") for line in text.splitlines() if line]
COMMAND_LINES = [line for line in SHELL if line.startswith("retune ")]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("readme")
    opened = pipeline.open_song(pipeline.write_demo(place / "lantern-song"))
    pipeline.write_versions(opened, plans=[], out=place / "lantern-song" / "renditions")
    return place


def test_the_first_screen_says_what_it_does_and_how_to_start() -> None:
    assert "hear the difference" in TEXT.split("\n\n")[1]
    assert "re-pitches only those notes" in TEXT.split("\n\n")[3].replace("\n", " ")
    assert len(TEXT.split()) <= 1000
    for line in SET_UP:
        assert line in SHELL
    assert TEXT.index(SET_UP[1]) < TEXT.index(". .venv/bin/activate") < TEXT.index("retune analyze")


def test_one_version_stands_everywhere() -> None:
    project = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    cited = re.search(r"^version: (.+)$", (TOP / ".github/CITATION.cff").read_text("utf-8"), re.M)
    newest = re.search(r"^## ([\d.]+)", (TOP / "CHANGELOG.md").read_text("utf-8"), re.M)
    assert cited is not None
    assert newest is not None
    assert retune.__version__ == project["version"] == cited[1] == newest[1]


def test_installs_name_extras_that_exist() -> None:
    project = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    named = re.findall(r"pip install (?:-e )?'\.\[([a-z]+)\]'", TEXT)
    assert {"web", "exports", "test"} <= set(named) <= set(project["optional-dependencies"])


@pytest.mark.parametrize("line", COMMAND_LINES)
def test_command_lines_parse(line: str) -> None:
    assert build_parser().parse_args(shlex.split(line)[1:]).command in COMMANDS


@pytest.mark.parametrize(
    "line",
    [
        pytest.param(line, marks=pytest.mark.slow) if any(word in line for word in LONG) else line
        for line in COMMAND_LINES
        if "serve" not in line and "verify" not in line
    ],
)
def test_command_lines_run(
    line: str, folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(folder)
    words = [found for word in shlex.split(line)[1:] for found in sorted(glob.glob(word)) or [word]]
    assert main(words) == 0, capsys.readouterr().err
    if line.startswith("retune batch"):
        (check,) = (other for other in COMMAND_LINES if "verify" in other)
        assert main(shlex.split(check)[1:]) == 0, capsys.readouterr().err


@pytest.mark.parametrize("line", [line for text in block("rule") for line in text.splitlines()])
def test_rules_read(line: str) -> None:
    parse_rule(line, stems=STEMS)


def test_the_song_file_opens_and_its_rule_moves_notes(folder: Path) -> None:
    (text,) = block("toml")
    path = folder / "lantern-song" / "readme.toml"
    path.write_text(text, encoding="utf-8")
    (plan,) = pipeline.open_song(path).plans()
    assert len(plan.edits) == 2


def test_python_runs(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(folder)
    (text,) = block("python")
    exec(compile(text, "README", "exec"), {})
    assert (folder / "lantern.html").stat().st_size > 1_000_000
    assert "2 notes moved" in capsys.readouterr().out


def test_links_lead_somewhere() -> None:
    headings = {
        re.sub(r"[^\w -]", "", line.lstrip("# ").lower()).replace(" ", "-")
        for line in TEXT.splitlines()
        if line.startswith("#")
    }
    for place in re.findall(r"\]\(([^)]+)\)", TEXT):
        assert place[1:] in headings if place.startswith("#") else (TOP / place).exists(), place
