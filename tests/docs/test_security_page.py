"""The page on security: every threat is answered by tests that there are."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from retune.faces.topics import topic_text

TESTS = Path(__file__).parents[1]
ROWS = [
    [cell.strip() for cell in line.strip("|").split("|")]
    for line in topic_text("security").splitlines()
    if line.startswith("| ") and not line.startswith("| threat ")
]


def test_the_page_has_its_table() -> None:
    assert len(ROWS) >= 15
    assert all(len(row) == 3 and all(row) for row in ROWS)


@pytest.mark.parametrize("row", ROWS, ids=[row[0][:40] for row in ROWS])
def test_every_threat_names_tests_that_exist(row: list[str]) -> None:
    texts = [path.read_text(encoding="utf-8") for path in TESTS.rglob("test_*.py")]
    there = {
        name for text in texts for name in re.findall(r"^def (test_\w+)\(", text, re.MULTILINE)
    }
    named = re.findall(r"`(test_\w+)`", row[2])
    assert named
    assert set(named) <= there, set(named) - there
