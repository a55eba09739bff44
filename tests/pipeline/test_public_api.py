"""What a user's own script sees: types, help and names."""

from __future__ import annotations

import inspect
import subprocess
import sys
from pathlib import Path

import pytest

import retune

SCRIPT = """\
from pathlib import Path

import retune

song = retune.open("song.toml", tracker="pyin", use_cache=False)
analysis: retune.Analysis = song.analysis
melody = analysis.melody
names: list[str] = [note.name for note in melody.notes] if melody else []
plan: retune.Plan = song.plan("move phrase-ending degree 2 to degree 1")
shifts: list[float] = [edit.shift_cents for edit in plan.edits]
rendition: retune.Rendition = song.render(plan, engine="psola")
samples = rendition.stems["vocal"].apply(song.audio["vocal"])
page = song.compare(plan, out=Path("page.html"))
sizes: list[int] = [version.size_bytes for version in page.versions]
again: retune.Analysis = retune.analyze("voice.wav", key="Bb major", tempo=92)
same: retune.Plan = retune.plan("song.toml", variant="home-early")
sounds: retune.Rendition = retune.render("song.toml", plan=same)
side = retune.compare("song.toml", plan=same, control=False)
one = retune.compare("song.toml", variant="home-early")
drawn: str = song.picture(plan).svg
played: bytes = song.play(rendition, phrase=2).data
from_page: bytes = page.play("original").data
states = [ending.state_after for ending in song.endings(plan)]
try:
    retune.analyze("none.toml")
except retune.RetuneError as error:
    print(str(error).upper())
"""
WRONG = """\
import retune

retune.open("song.toml", traker="pyin")
retune.analyze(5)
retune.open("song.toml").render(engine=3)
reveal = retune.analyze("song.toml").keey
"""


def checked(script: str, folder: Path) -> subprocess.CompletedProcess[str]:
    (folder / "script.py").write_text(script)
    """The script checked as where retune is installed: faults of packages are not told."""
    root = str(Path(retune.__file__).parent.parent)
    options = ("--strict", "--follow-imports=silent", "--cache-dir", str(folder))
    return subprocess.run(
        [sys.executable, "-m", "mypy", *options, "script.py"],
        cwd=folder,
        env={"MYPYPATH": root, "PATH": ""},
        capture_output=True,
        text=True,
    )


@pytest.mark.slow
def test_a_users_script_passes_the_strict_checker(tmp_path: Path) -> None:
    done = checked(SCRIPT, tmp_path)
    assert "Success: no issues found" in done.stdout, done.stdout


@pytest.mark.slow
def test_the_checker_finds_what_is_wrong_in_one(tmp_path: Path) -> None:
    said = checked(WRONG, tmp_path).stdout
    for line in range(3, 7):
        assert f"script.py:{line}: error" in said


def test_names_are_functions_with_help_and_none_is_hidden() -> None:
    for name in retune.__all__:
        value = getattr(retune, name)
        assert name in dir(retune)
        assert inspect.isfunction(inspect.unwrap(value)) or inspect.isclass(value)
        assert value.__doc__
    assert "One-line" not in (retune.compare.__doc__ or "")
    assert (Path(retune.__file__).parent / "py.typed").exists()


def test_every_public_method_says_what_it_does() -> None:
    for name, member in inspect.getmembers(retune.OpenSong):
        if not name.startswith("_"):
            assert member.__doc__, name


def test_help_shows_them() -> None:
    done = subprocess.run(
        [sys.executable, "-c", "import retune; help(retune)"],
        capture_output=True,
        text=True,
        check=True,
    )
    for name in ("analyze", "compare", "open", "plan", "render"):
        assert f"{name}(" in done.stdout
