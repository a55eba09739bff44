"""A browser, a song of one's own, and the bench opened on it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from web_client import demo_copy
from workbench_browser import chromium, opened, page_at, running


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as browser:
        yield browser


@pytest.fixture
def song(tmp_path: Path) -> Path:
    return demo_copy(tmp_path / "song")


@pytest.fixture
def bench(song: Path) -> Iterator[tuple[str, Any]]:
    with running(song, folder=song.parent) as (address, desk):
        yield address, desk


@pytest.fixture
def page(browser: Any, bench: tuple[str, Any]) -> Iterator[Any]:
    with page_at(browser, bench[0]) as page:
        opened(page)
        yield page
