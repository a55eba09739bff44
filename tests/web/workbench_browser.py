"""A real browser on a real server, for the tests of the page."""

from __future__ import annotations

import importlib.util
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from chromium import ARGUMENTS, CHROMIUM, NEEDS_CHROMIUM

from retune.faces.web.app import create_app
from retune.faces.web.desk import Desk
from retune.faces.web.listener import server_of

NEEDS_BROWSER = [*NEEDS_CHROMIUM, pytest.mark.slow]
TOKEN = "token-of-the-test"


@contextmanager
def running(song: Path | None, *, folder: Path) -> Iterator[tuple[str, Desk]]:
    """A server on any free port; gives its address with the token, and its desk."""
    desk = Desk(song, folder=folder)
    listener = socket.socket()
    listener.bind(("127.0.0.1", 0))
    port = listener.getsockname()[1]
    app = create_app(desk, token=TOKEN, port=port)
    server = server_of(app)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.01)
    try:
        yield f"http://127.0.0.1:{port}/#{TOKEN}", desk
    finally:
        server.should_exit = True
        thread.join(10)
        listener.close()


@contextmanager
def chromium() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()


@contextmanager
def page_at(browser: Any, address: str, *, width: int = 1280, height: int = 900, **how: Any) -> Any:
    """A page; leaving asserts that it raised no error and asked nobody but the server."""
    context = browser.new_context(
        viewport={"width": width, "height": height}, accept_downloads=True, **how
    )
    page = context.new_page()
    trouble: list[str] = []
    own = address.split("#")[0]
    page.on("pageerror", lambda error: trouble.append(str(error)))
    page.on("console", lambda m: trouble.append(m.text) if _is_trouble(m) else None)
    page.on(
        "request",
        lambda r: trouble.append(r.url) if not r.url.startswith((own, "blob:")) else None,
    )
    page.goto(address)
    yield page
    assert trouble == []
    context.close()


def _is_trouble(message: Any) -> bool:
    """Refusals (4xx) are part of some tests and are logged by the browser itself."""
    return message.type in ("error", "warning") and "status of 4" not in message.text


def opened(page: Any) -> None:
    """Waits for the picture and the first plan."""
    page.locator("#drawing > svg:not(.gutter)").wait_for(timeout=90_000)
    page.locator("#rules .reads").first.wait_for(state="attached")


def wait_until(page: Any, script: str, *, within_s: float = 20.0) -> Any:
    """Polls a script until it gives something true (a strict policy breaks wait_for_function)."""
    until = time.monotonic() + within_s
    while not (value := page.evaluate(script)):
        assert time.monotonic() < until, script
        page.wait_for_timeout(40)
    return value


def box_at_rest(page: Any, selector: str, *, within_s: float = 20.0) -> dict[str, float]:
    """Where a part of the picture is once it has stayed there: a new width draws it anew."""
    until = time.monotonic() + within_s
    last = None
    while True:
        box = page.locator(selector).bounding_box()
        if box is not None and box == last:
            return box
        assert time.monotonic() < until, f"{selector} does not come to rest: {last}, then {box}"
        last = box
        page.wait_for_timeout(300)


def write(page: Any, text: str) -> None:
    page.locator("#rules textarea").last.fill(text)
    wait_until(page, f"workbench.state.plan?.asked?.includes({text!r})")


def play(page: Any) -> None:
    page.locator("#play").click()
    wait_until(page, "workbench.player.playing && workbench.player.position > 0.05")


def faults(page: Any) -> list[str]:
    """What axe-core finds on a page as it is."""
    found = importlib.util.find_spec("axe_core_python")
    if found is None or not found.submodule_search_locations:
        pytest.skip("the package axe-core-python is missing")
    page.evaluate((Path(found.submodule_search_locations[0]) / "axe.min.js").read_text("utf-8"))
    result = page.evaluate("axe.run({ resultTypes: ['violations'] })")
    return [f"{v['id']}: {v['nodes'][0]['html'][:160]}" for v in result["violations"]]
