"""What is told of an installation, and what comes next in a folder."""

from __future__ import annotations

import json
import platform
import re
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import pytest

from retune.faces import doctor
from retune.faces.cli import main
from retune.faces.nextstep import next_steps


def test_it_tells_versions_as_installed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["doctor", "--json", "--no-speed"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["libraries"]["numpy"] == metadata.version("numpy")
    assert told["broken"] == {}
    assert told["speed"] == []


def test_it_knows_every_requirement_and_extra() -> None:
    root = Path(__file__).resolve().parents[2]
    project = tomllib.loads((root / "pyproject.toml").read_text("utf-8"))["project"]
    needed = {re.split("[>=]", line)[0] for line in project["dependencies"]}
    assert set(doctor.NEEDED) == needed
    extras = {name for name in project["optional-dependencies"] if name != "test"}
    assert extras <= set(doctor.EXTRAS)


def test_a_broken_library_is_named_and_counts(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "soxr", None)
    assert main(["doctor"]) == 1
    assert "BROKEN soxr" in capsys.readouterr().out


@pytest.mark.parametrize(("machine", "code"), [("aarch64", 0), ("x86_64", 1)])
def test_what_has_no_wheel_for_linux_on_arm_is_not_missed_there(
    monkeypatch: pytest.MonkeyPatch, machine: str, code: int
) -> None:
    monkeypatch.setitem(sys.modules, "python_stretch", None)
    monkeypatch.setattr(platform, "system", lambda: "Linux")
    monkeypatch.setattr(platform, "machine", lambda: machine)
    assert main(["doctor", "--no-speed"]) == code


def test_it_names_no_user_and_no_place(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["doctor", "--no-speed"]) == 0
    text = capsys.readouterr().out
    assert str(Path.home()) not in text
    assert "/" not in text.replace("https://", "").replace("and/or", "")


def test_the_speed_is_measured() -> None:
    speeds = doctor.examined()["speed"]
    assert all(speed["times_real_time"] > 1 for speed in speeds)
    assert speeds


@pytest.mark.parametrize(
    ("files", "said"),
    [
        ((), "retune demo"),
        (("song.toml",), "retune analyze song.toml"),
        (("my song/song.toml", "b/song.toml"), "(and 1 more)"),
        (("my voice.WAV",), 'retune analyze "my voice.WAV"'),
    ],
)
def test_five_lines_for_the_folder_one_stands_in(
    tmp_path: Path, files: tuple[str, ...], said: str
) -> None:
    for name in files:
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).touch()
    lines = next_steps(tmp_path)
    assert len(lines) == 5
    assert any(said in line for line in lines)


def test_retune_alone_says_what_is_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main([]) == 0
    assert "retune demo" in capsys.readouterr().out
