"""Malformed and hostile requests to every route there is: refused in our words, nothing changed.

Routes come from the application's own table and fields from the handlers' own source, so that a
new one is asked too without being named here."""

from __future__ import annotations

import inspect
import json
import os
import re
import shutil
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote

import httpx
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from starlette.routing import Route
from web_client import RULE, Client, client_of, demo_copy

from retune.faces.web import api_change, api_make, api_new, api_song
from retune.faces.web.app import GET, POST, UPLOAD
from retune.faces.web.given import MUSIC_FIELDS
from retune.faces.web.work import Task, Tasks

JSON = {"content-type": "application/json"}
BYTES = {"content-type": "application/octet-stream"}
FIELD = re.compile(r'(\w+)\.(?:text|line|number|whole|flag|lines|objects|span)\("(\w+)"')
FIELDS = sorted(
    {
        name
        for part in (api_change, api_make, api_new, api_song)
        for _, name in FIELD.findall(inspect.getsource(part))
    }
)
# A value that is right for each field, so that a body gets past the first check.
RIGHT: Mapping[str, Any] = {
    "about": "to hear it",
    "add": [{"stem": "vocal", "at_s": 12.4, "set": "pitch F4"}],
    "at_s": 12.4,
    "bars": [1, 8],
    "beside": "",
    "cents": -20,
    "control": True,
    "cursor": 3,
    "drafts": [{"name": "try", "rules": [RULE], "about": ""}],
    "file": "vocal.flac",
    "first": "original",
    "font": 16,
    "formats": ["csv"],
    "from_s": 1.5,
    "formants": "moved",
    "tail": "moved",
    "glide": "slow",
    "gone": ["try"],
    "id": "1",
    "kind": "variant",
    "known": ["x"],
    "music": [{"name": "key", "value": "Bb major"}],
    "n_identical": 2,
    "n_pairs": 4,
    "n_practice": 1,
    "name": "home-early",
    "note": 3,
    "others": True,
    "passages": ["phrase 2"],
    "phrase": 2,
    "rating": False,
    "revision": "",
    "rights": "all ours",
    "role": "melody",
    "rule": RULE,
    "rules": [RULE],
    "second": "home-early",
    "seed": 3,
    "set": [{"name": "meter", "value": "3/4"}],
    "sheet": 1,
    "split": True,
    "stem": "vocal",
    "stems": [{"file": "vocal.flac", "role": "melody"}],
    "text": "move phr",
    "title": "Lantern Song",
    "value": "3/4",
    "vibrato": 0.5,
    "what": "export",
    "width": 900,
}
NASTY = (
    *("", " ", "\0", "a\0b", "\n", "\r\n[x]\n", "\u2028", "\ud800", "\udfff\ud800", "\U0010ffff"),
    *("../../etc/passwd", "/etc/passwd", "..\\..\\x", "C:\\x", "con", "%2e%2e%2f", "a" * 300),
    *("<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "=1+1", "'", '"""', "{{7*7}}"),
    *("[" * 5000, "[[" * 3000 + "]]" * 3000, "[1] \n value = 2", "[[1, 2]]", "[[nan, inf]]"),
    *("nan", "inf", "-1", "0", "1e999", "9" * 5000, "1/0", "99/99", "0/4", "every 0 bars"),
    *("every 9999999999 bars", "Bb | " * 3000, "H | %", "NaN major", "__proto__", "constructor"),
    *(
        "move " * 2000,
        "move degree " + "9" * 4000 + " to degree 1",
        "pitch C99999999",
        "a" * 30_000,
    ),
)
TEXTS = st.one_of(st.sampled_from(NASTY), st.text(st.characters(exclude_categories=())))
NUMBERS = st.one_of(
    st.sampled_from([0, -1, 2**31, 2**63, 10**30, 10**400, -(10**400), 1e308, -1e308, 5e-324]),
    st.integers(),
    st.floats(),
)
LEAVES = st.one_of(st.none(), st.booleans(), NUMBERS, TEXTS)
VALUES = st.recursive(
    LEAVES,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(st.sampled_from(FIELDS), inner, max_size=4),
        st.lists(inner, min_size=1, max_size=1).map(lambda one: one * 2001),
    ),
    max_leaves=6,
)
# The right body but for a few fields; sometimes fields within fields.
BODIES = st.one_of(
    st.dictionaries(st.sampled_from(FIELDS), VALUES, min_size=1, max_size=3),
    st.builds(
        lambda field, inner, value: {
            field: [{**row, inner: value} for row in RIGHT[field]],
        },
        st.sampled_from(["add", "set", "stems", "music"]),
        st.sampled_from(["stem", "at_s", "set", "name", "value", "file", "role"]),
        VALUES,
    ),
    st.builds(
        lambda name, value: {"set": [{"name": name, "value": value}]},
        st.sampled_from(MUSIC_FIELDS),
        TEXTS,
    ),
)
# RETUNE_FULL_SIZE=1 sends many more.
FULL_SIZE = os.environ.get("RETUNE_FULL_SIZE") == "1"
TIMES = settings(
    max_examples=150 if FULL_SIZE else 2,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)


class Target:
    """A client on a song of its own, and how the song was."""

    def __init__(self, folder: Path) -> None:
        self.song = demo_copy(folder / "song")
        self.text = self.song.read_bytes()
        self.client = client_of(self.song)
        self.client.song()

    @property
    def state(self) -> Any:
        desk = self.client.desk
        files = {
            path.relative_to(self.song.parent).as_posix(): (
                path.stat().st_mtime_ns,
                path.stat().st_size,
            )
            for path in sorted(self.song.parent.rglob("*"))
        }
        return desk.path, desk.revision, desk.steps, files, self.song.read_bytes()

    def restore(self) -> None:
        for path in self.song.parent.iterdir():
            if path.is_dir():
                shutil.rmtree(path)
        self.song.write_bytes(self.text)
        self.client.desk.open(self.song)
        _ = self.client.desk.opened

    def post(self, path: str, body: Any) -> httpx.Response:
        """A body as it is, whatever JSON can spell."""
        return self.client.ask("POST", path, headers=JSON, content=json.dumps(body))

    def answered(self, response: httpx.Response, before: Any) -> None:
        """No fault of ours: done, or refused in one line of our own with nothing changed."""
        assert response.status_code < 500, response.text
        if response.status_code < 400:
            if self.state != before:
                self.restore()
            return
        refused(response)
        assert self.state == before


def refused(response: httpx.Response) -> None:
    assert 400 <= response.status_code < 500, response.text
    if response.request.method == "HEAD":
        return
    told = response.json()["error"]
    assert told.strip()
    assert told.splitlines() == [told]
    assert "Traceback" not in told
    assert "unexpected" not in told


@pytest.fixture(scope="module")
def target(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Target]:
    """Works are begun in name only: what they do is tested elsewhere."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(Tasks, "begin", lambda self, what, work: Task("1", what))
        yield Target(tmp_path_factory.mktemp("hostile"))


def routes(client: Client) -> list[tuple[str, str]]:
    """Every (method, path) that the application answers to."""
    found = []
    for route in client.app.routes:
        assert isinstance(route, Route), f"{route} is of a kind that is not asked here"
        path = route.path.replace("{name}", "main.js")
        assert "{" not in path, f"{path}: say here what its parameter is"
        found += [(method, path) for method in sorted(route.methods or ())]
    return found


@pytest.fixture(scope="module")
def table(target: Target) -> list[tuple[str, str]]:
    return routes(target.client)


def test_the_table_is_whole(table: list[tuple[str, str]]) -> None:
    paths = {path for _, path in table}
    assert paths == {"/", "/assets/main.js", UPLOAD, *(f"/api/{name}" for name in (*GET, *POST))}
    assert set(RIGHT) == set(FIELDS), "give every field a value that is right"


def test_a_right_body_is_taken(target: Target) -> None:
    """Else the tests below would never get beyond the first check."""
    taken = set()
    for name in POST:
        before = target.state
        body = {**RIGHT, "revision": target.client.desk.revision}
        if name == "correct/remove":
            body["set"] = "pitch F4"
        response = target.post(f"/api/{name}", body)
        taken |= {name} if response.status_code == 200 else set()
        target.answered(response, before)
    left = {"task/stop", "undo", "redo", "correct/remove", "new"}  # there is nothing to act on
    assert taken >= set(POST) - left


@pytest.mark.parametrize("body", [b"", b"[1]", b'"x"', b"null", b"1", b"{", b"\xff", b"[" * 99_999,
                                  b'{"n":' + b"9" * 9000 + b"}", b'{"a":1}x'])  # fmt: skip
def test_a_body_that_is_no_object_is_refused_everywhere(target: Target, body: bytes) -> None:
    before = target.state
    for name in POST:
        refused(target.client.ask("POST", f"/api/{name}", headers=JSON, content=body))
    assert target.state == before


@pytest.mark.parametrize("name", POST)
def test_a_field_of_the_wrong_kind_is_refused(target: Target, name: str) -> None:
    """An object where a text, a number or a list belongs, for each field the handler reads."""
    before = target.state
    right = {**RIGHT, "revision": target.client.desk.revision}
    read = FIELD.findall(inspect.getsource(POST[name]))
    for field in [field for where, field in read if where == "asked"]:
        refused(target.post(f"/api/{name}", {**right, field: {"x": 1}}))
    assert target.state == before


def test_every_route_refuses_a_stranger(target: Target, table: list[tuple[str, str]]) -> None:
    before = target.state
    for method, path in table:
        kind = BYTES if path == UPLOAD else JSON
        for name, value in (
            ("host", "example.org"),
            ("origin", "http://example.org"),
            ("sec-fetch-site", "cross-site"),
        ):
            refused(target.client.ask(method, path, headers={**kind, name: value}))
        if path.startswith("/api/"):
            refused(target.client.ask(method, path, headers={**kind, "x-retune-token": "x"}))
    assert target.state == before


def test_every_other_method_is_refused(target: Target, table: list[tuple[str, str]]) -> None:
    before = target.state
    for path in sorted({path for _, path in table}):
        allowed = {method for method, known in table if known == path}
        others = {"GET", "POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "BREW"} - allowed
        for method in sorted(others):
            for kind in (JSON, BYTES, {}):
                refused(target.client.ask(method, path, headers=kind, content=b"{}"))
    assert target.state == before


def test_no_path_but_those_of_the_table(target: Target, table: list[tuple[str, str]]) -> None:
    before = target.state
    for path in sorted({path for _, path in table} - {"/"}):
        for other in (
            path + "/",
            path + "/x",
            path + "%00",
            "/" + path,
            path.upper(),
            path + "%2f",
        ):
            response = target.client.ask("GET", other)
            refused(response)
            assert response.status_code == 404 or other.upper() == other
    assert target.state == before


@pytest.mark.parametrize("name", POST)
def test_hostile_bodies(target: Target, name: str) -> None:
    @TIMES
    @given(BODIES)
    def hammer(few: dict[str, Any]) -> None:
        before = target.state
        body = {**RIGHT, "revision": target.client.desk.revision, **few}
        target.answered(target.post(f"/api/{name}", body), before)

    hammer()


def _queried(target: Target, path: str, query: str) -> None:
    before = target.state
    method, kind = ("PUT", BYTES) if path == UPLOAD else ("GET", {})
    response = target.client.ask(method, f"{path}?{query}", headers=kind, content=b"no sound")
    target.answered(response, before)


@pytest.mark.parametrize("path", [*(f"/api/{name}" for name in GET), UPLOAD])
def test_hostile_queries(target: Target, path: str) -> None:
    for text in NASTY:
        readable = text.encode("utf-8", "surrogatepass")[:5000]
        _queried(target, path, f"name={quote(readable)}&id={quote(readable)}&{quote(readable)}")
    for query in ("name", "name=&name=vocal", "name[]=x", "%", "name=%ff%fe", "&" * 2000, "=;=;"):
        _queried(target, path, query)
