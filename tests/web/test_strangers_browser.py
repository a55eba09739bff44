"""A song file, a folder and an address made by someone who means ill, in a real browser: nothing
runs, nobody is asked, the token is not to be seen."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import pytest
from web_client import demo_copy
from workbench_browser import (
    NEEDS_BROWSER,
    TOKEN,
    opened,
    page_at,
    running,
)

from retune import pipeline
from retune.faces.cli import main

pytestmark = NEEDS_BROWSER

# What it would do if it were markup: mark the window, ask a stranger.
ILL = "</title></script><script>window.hurt=1</script><img src=//x.invalid/ onerror=window.hurt=1>'"
HURT = "window.hurt === 1 || document.querySelectorAll('img').length > 0"


@pytest.fixture
def ill_song(tmp_path: Path) -> Path:
    """The demo song with such words for its title, rights, variant and a file's name."""
    song = demo_copy(tmp_path / "song <b onclick=x>")
    name = "<img src=x onerror=window.hurt=1>.flac"
    (song.parent / "vocal.flac").rename(song.parent / name)
    text = song.read_text(encoding="utf-8").replace('"vocal.flac"', f'"{name}"')
    text = text.replace('title = "Lantern Song"', f'title = "{ILL}"\nrights = "{ILL}"', 1)
    text = "\n".join(
        line for k, line in enumerate(text.split("\n"))
        if not (line.startswith("rights") and ILL not in line)
    )  # fmt: skip
    text += (
        f'\n[variants.ill]\nabout = "{ILL}"\nrules = ["move phrase-ending degree 2 to degree 1"]\n'
    )
    song.write_text(text, encoding="utf-8")
    return song


def test_the_workbench_shows_strange_words_as_words(browser: Any, ill_song: Path) -> None:
    with (
        running(ill_song, folder=ill_song.parent) as (address, _),
        page_at(browser, address) as page,  # asserts that nobody but the server was asked
    ):
        opened(page)
        assert "<script>" in page.locator("h1#s1").inner_text()
        page.locator("#variant").select_option("ill")
        page.locator("#add-rule").click()
        page.locator("#rules textarea").last.fill(f"move {ILL}")
        page.wait_for_timeout(600)
        assert page.evaluate(HURT) is False


def test_the_token_leaves_the_address(browser: Any, ill_song: Path) -> None:
    with (
        running(ill_song, folder=ill_song.parent) as (address, _),
        page_at(browser, address) as page,  # asserts that nobody but the server was asked
    ):
        opened(page)
        assert TOKEN not in page.url
        assert page.evaluate("document.referrer") == ""
        page.evaluate("location.hash = 's3'")
        page.reload()
        opened(page)  # it is still known, and a place on the page is not taken for it
        assert TOKEN not in page.content()


def test_a_page_of_another_site_gets_nothing(browser: Any, ill_song: Path) -> None:
    """Asked from elsewhere: no answer is readable, nothing is changed, and no frame shows it."""
    before = ill_song.read_bytes()
    with running(ill_song, folder=ill_song.parent) as (address, _):
        server = address.split("/#")[0]
        context = browser.new_context()
        page = context.new_page()
        page.route("http://stranger.test/**", lambda route: route.fulfill(
            body="<!doctype html><title>stranger</title>", content_type="text/html"))  # fmt: skip
        page.goto("http://stranger.test/")
        got = page.evaluate(
            """async (server) => {
              const tried = async (path, options) => {
                try {
                  const got = await fetch(server + path, options);
                  return `${got.type} ${got.status}`;
                }
                catch (error) { return "refused"; }
              };
              const kinds = ["text/plain", "application/json", "application/x-www-form-urlencoded"];
              const told = [await tried("/", {}), await tried("/api/state", {}),
                await tried("/api/state", { mode: "no-cors" })];
              for (const kind of kinds) {
                for (const mode of ["cors", "no-cors"]) {
                  told.push(await tried("/api/reload",
                    { method: "POST", mode, headers: { "content-type": kind }, body: "{}" }));
                }
              }
              return told;
            }""",
            server,
        )
        assert set(got) <= {"refused", "opaque 0"}
        page.evaluate(
            """(server) => {
              const frame = document.createElement("iframe");
              frame.src = server;
              document.body.append(frame);
            }""",
            server,
        )
        page.wait_for_timeout(500)
        framed = [frame for frame in page.frames if frame != page.main_frame]
        assert all("rules" not in frame.content() for frame in framed)
        context.close()
    assert ill_song.read_bytes() == before


def test_the_pages_that_are_made_ask_nobody(browser: Any, ill_song: Path, tmp_path: Path) -> None:
    """The comparison page, the index of a batch and the printed sheets, opened as files."""
    page_file = tmp_path / "compare.html"
    pipeline.compare(ill_song, variants=["ill"], passage=(None, None, "2"), out=page_file)
    out, report = tmp_path / "out", tmp_path / "report"
    assert (
        main(["batch", str(ill_song), "--out", str(out), "--report", str(report), "--quiet"]) == 0
    )
    for made in (page_file, report / "index.html"):
        asked: list[str] = []
        faults: list[str] = []
        context = browser.new_context(offline=True)
        page = context.new_page()
        page.on("request", lambda request, asked=asked: asked.append(request.url))
        page.on("console", lambda said, faults=faults: faults.append(said.text))
        page.on("pageerror", lambda error, faults=faults: faults.append(str(error)))
        page.goto(made.as_uri())
        for button in page.locator("button:visible").all()[:3]:
            button.click()
        page.evaluate("document.querySelectorAll('button[data-sound]').forEach((b) => b.click())")
        page.wait_for_timeout(400)
        assert page.evaluate(HURT) is False
        outside = [url for url in asked if not url.startswith(("file:", "data:", "blob:"))]
        assert outside == []
        assert [fault for fault in faults if "AudioContext" not in fault] == []
        context.close()


def test_the_answers_kept_by_a_page_hold_no_formula(
    browser: Any, ill_song: Path, tmp_path: Path
) -> None:
    made = tmp_path / "compare.html"
    pipeline.compare(ill_song, variants=["ill"], passage=(None, None, "2"), out=made)
    context = browser.new_context(accept_downloads=True)
    page = context.new_page()
    page.goto(made.as_uri())
    page.locator("[data-blind=listener]").fill("=1+1")
    page.locator("[data-blind=start]").click()
    with page.expect_download(timeout=60_000) as waiting:
        page.evaluate(
            """async () => {
              const ask = document.querySelector("[data-blind=ask]");
              while (!ask.querySelector("h3")) {
                ask.querySelector("[data-answer=first]").click();
                await new Promise((done) => setTimeout(done, 5));
              }
              [...ask.querySelectorAll("button")].find((b) => /CSV/.test(b.textContent)).click();
            }"""
        )
    rows = list(csv.DictReader(io.StringIO(Path(waiting.value.path()).read_text("utf-8"))))
    assert {row["listener"] for row in rows} == {"'=1+1"}
    context.close()
