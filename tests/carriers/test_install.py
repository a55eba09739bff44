"""How an extra is added: to the Python that runs, whatever other pip is found first."""

from __future__ import annotations

import sys
from importlib.machinery import ModuleSpec
from pathlib import Path

import pytest

from retune.carriers import install


def where(
    monkeypatch: pytest.MonkeyPatch, *, pip: Path | None, python: str, has_pip: bool = True
) -> str:
    monkeypatch.setattr(install.shutil, "which", lambda _: pip and str(pip))
    monkeypatch.setattr(install.sys, "executable", python)
    spec = ModuleSpec("pip", None) if has_pip else None
    monkeypatch.setattr(install, "find_spec", lambda _: spec)
    return install.how_to_add("web")


def test_its_own_pip_is_called_plainly(monkeypatch: pytest.MonkeyPatch) -> None:
    own = Path(sys.executable)
    said = where(monkeypatch, pip=own.with_name("pip"), python=str(own))
    assert said == "pip install 'retune[web]'"


def test_an_environment_that_is_not_activated(monkeypatch: pytest.MonkeyPatch) -> None:
    said = where(monkeypatch, pip=Path("/usr/bin/pip"), python="/home/me/.venv/bin/python")
    assert said == "/home/me/.venv/bin/python -m pip install 'retune[web]'"
    said = where(monkeypatch, pip=None, python="/home/me/my songs/.venv/bin/python")
    assert said == "\"/home/me/my songs/.venv/bin/python\" -m pip install 'retune[web]'"


def test_an_environment_of_pipx(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "pipx_metadata.json").touch()
    monkeypatch.setattr(install.sys, "prefix", str(tmp_path))
    said = where(monkeypatch, pip=Path("/usr/bin/pip"), python="/home/me/pipx/bin/python")
    assert said == "pipx runpip retune install 'retune[web]'"


def test_an_environment_without_pip(monkeypatch: pytest.MonkeyPatch) -> None:
    said = where(monkeypatch, pip=None, python="/home/me/.venv/bin/python", has_pip=False)
    assert said == "uv pip install 'retune[web]' --python /home/me/.venv/bin/python"
