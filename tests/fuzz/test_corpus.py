"""Every input that a fuzzer kept, old findings among them, through its reader again."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from reader_targets import CORPUS, TARGETS, clear, feed, folder_of_a_song

CASES = sorted(path.relative_to(CORPUS).as_posix() for path in CORPUS.rglob("*") if path.is_file())


@pytest.fixture(scope="module")
def folder() -> Iterator[Path]:
    with folder_of_a_song() as made:
        yield made


@pytest.mark.parametrize("case", CASES)
def test_only_a_refusal_of_our_own_comes_out(case: str, folder: Path) -> None:
    feed(case.split("/")[0], (CORPUS / case).read_bytes(), folder)
    clear(folder)


def test_every_reader_has_inputs_that_are_small_enough_to_keep() -> None:
    assert {case.split("/")[0] for case in CASES} == set(TARGETS)
    assert sum((CORPUS / case).stat().st_size for case in CASES) < 100_000


@pytest.mark.parametrize("name", sorted(TARGETS))
def test_a_seed_of_every_reader_reads(name: str, folder: Path) -> None:
    """Without this a target that refuses everything would look as if nothing could go wrong."""
    for path in sorted((CORPUS / name).glob("seed*")):
        TARGETS[name](path.read_bytes(), folder)
        clear(folder)
