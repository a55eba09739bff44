"""Every public module, class and function of the package says what it is."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "retune"
MODULES = sorted(PACKAGE.rglob("*.py"))


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_public_names_have_docstrings(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)
    public = [n for n in tree.body if isinstance(n, kinds) and not n.name.startswith("_")]
    silent = [node.name for node in public if not ast.get_docstring(node)]
    assert ast.get_docstring(tree), "the module says nothing of itself"
    assert not silent
