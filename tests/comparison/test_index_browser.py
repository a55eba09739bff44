"""The index of a thousand renditions in a real browser: searched and scrolled without a stutter."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from chromium import ARGUMENTS, CHROMIUM, NEEDS_CHROMIUM

from retune.comparison.index_page import AT_ONCE, IndexRow, index_page

SMOOTH_MS = 100.0

pytestmark = [*NEEDS_CHROMIUM, pytest.mark.slow]
# The quickest of several turns: what the page costs, not what else the machine does.
SEARCH_MS = """(words) => {
  const field = document.getElementById("search");
  const turns = [];
  for (let turn = 0; turn < 5; turn += 1)
    for (const text of [words, ""]) {
      field.value = text;
      const began = performance.now();
      search();
      document.body.offsetHeight;
      turns.push([text, performance.now() - began]);
    }
  return Object.fromEntries([words, ""].map((text) =>
    [text, Math.min(...turns.filter(([t]) => t === text).map(([, ms]) => ms))]));
}"""


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    endings = tuple(
        (k, "2", "1" if k % 2 else "", "open", "at rest" if k % 2 else "") for k in range(1, 9)
    )
    rows = [
        IndexRow(
            *(f"song{song:03d}", f"variant{variant:02d}", "done"),
            original_href=f"../out/song{song:03d}/original/mix.wav",
            mix_href=f"../out/song{song:03d}/variant{variant:02d}/mix.wav",
            picture_href=f"../out/song{song:03d}/variant{variant:02d}/picture.svg",
            endings=endings,
            warnings=("nothing in phrase 3 fits",),
        )
        for song in range(50)
        for variant in range(20)
    ]
    path: Path = tmp_path_factory.mktemp("report") / "index.html"
    path.write_text(
        "".join(index_page(rows, title="Renditions", told="1000 renditions.")), encoding="utf-8"
    )
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        opened = browser.new_page(viewport={"width": 1280, "height": 800})
        opened.goto(path.as_uri())
        yield opened
        browser.close()


def visible(page: Any) -> int:
    return int(page.locator("tbody tr:visible").count())


def until_told(page: Any, start: str) -> None:
    page.locator("#shown", has_text=re.compile(f"^{start}")).wait_for()


def test_a_thousand_results_are_shown_some_at_a_time(page: Any) -> None:
    assert page.locator("#shown").inner_text() == "1000 of 1000 fit, the first 50 shown"
    assert visible(page) == AT_ONCE
    page.get_by_role("button", name="Show more").click()
    assert visible(page) == 2 * AT_ONCE


def test_a_search_finds_what_lies_beyond_the_shown(page: Any) -> None:
    page.fill("#search", "song049 variant1")
    until_told(page, "10 of")
    assert visible(page) == 10
    assert page.get_by_role("button", name="Show more").is_hidden()
    page.fill("#search", "song050")
    until_told(page, "0 of")
    page.fill("#search", "")
    until_told(page, "1000 of")
    assert visible(page) == AT_ONCE


def test_a_search_is_smooth(page: Any) -> None:
    for text, cost_ms in page.evaluate(SEARCH_MS, "song03").items():
        assert cost_ms < SMOOTH_MS, f"searching {text!r} took {cost_ms:.0f} ms"
