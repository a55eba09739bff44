"""Who is refused: other hosts, other pages, other sites, no token, other bodies, other files."""

from __future__ import annotations

from pathlib import Path

import pytest
from web_client import HOME, PORT, TOKEN, Client

from retune.faces.web.desk import Desk


@pytest.fixture
def client(tmp_path: Path) -> Client:
    return Client(Desk(None, folder=tmp_path))


def test_our_own_page_may_ask(client: Client) -> None:
    for extra in ({}, {"origin": HOME, "sec-fetch-site": "same-origin"}):
        assert client.get("state", headers=extra).status_code == 200


@pytest.mark.parametrize(
    "host", ["example.org", f"example.org:{PORT}", "127.0.0.1", "127.0.0.1:80", f"[::1]:{PORT}"]
)
def test_a_name_that_is_not_loopback_at_our_port_is_refused(client: Client, host: str) -> None:
    assert client.get("state", headers={"host": host}).status_code == 421
    assert client.ask("GET", "/", headers={"host": host}).status_code == 421


@pytest.mark.parametrize("origin", ["https://example.org", "null", f"http://localhost:{PORT + 1}"])
def test_another_origin_is_refused(client: Client, origin: str) -> None:
    assert client.get("state", headers={"origin": origin}).status_code == 403
    assert client.post("reload", headers={"origin": origin}).status_code == 403


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_another_site_is_refused(client: Client, site: str) -> None:
    assert client.get("state", headers={"sec-fetch-site": site}).status_code == 403
    assert client.ask("GET", "/", headers={"sec-fetch-site": site}).status_code == 403


@pytest.mark.parametrize("token", ["", "wrong", TOKEN + "x", b"s\xe9cret"])
def test_no_data_without_the_token(client: Client, token: str | bytes) -> None:
    given = {"x-retune-token": token}
    assert client.get("state", headers=given).status_code == 401
    assert client.post("reload", headers=given).status_code == 401
    assert client.ask("PUT", "/api/upload?name=a.wav", headers=given).status_code == 401


def test_the_token_in_the_address_is_not_enough(client: Client) -> None:
    answer = client.get(f"state?token={TOKEN}", headers={"x-retune-token": ""})
    assert answer.status_code == 401


@pytest.mark.parametrize("kind", ["text/plain", "application/x-www-form-urlencoded", ""])
def test_only_json_is_taken(client: Client, kind: str) -> None:
    answer = client.ask("POST", "/api/reload", headers={"content-type": kind}, content=b"{}")
    assert answer.status_code == 415


def test_json_that_does_not_read_is_told_in_one_line(client: Client) -> None:
    kind = {"content-type": "application/json"}
    for body in (b"{", b"[1]", b'"text"', b"\xff", b"[" * 100_000):
        answer = client.ask("POST", "/api/plan", headers=kind, content=body)
        assert answer.status_code == 400
        assert "\n" not in answer.json()["error"]


def test_a_body_that_is_too_large_is_refused(client: Client) -> None:
    large = b'{"rules": ["' + b"x" * 2_100_000 + b'"]}'
    kind = {"content-type": "application/json"}
    assert client.ask("POST", "/api/plan", headers=kind, content=large).status_code == 413

    async def in_pieces():  # type: ignore[no-untyped-def]
        for at in range(0, len(large), 100_000):
            yield large[at : at + 100_000]

    answer = client.ask("POST", "/api/plan", headers=kind, content=in_pieces())
    assert answer.status_code == 413


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_other_methods_are_refused(client: Client, method: str) -> None:
    assert client.ask(method, "/api/state").status_code == 405
    assert client.ask(method, "/").status_code == 405


@pytest.mark.parametrize(
    "path",
    [
        "/assets/..%2fapp.py",
        "/assets/%2e%2e%2fapp.py",
        "/assets/..%5capp.py",
        "/assets/app.py",
        "/assets/.hidden.js",
        "/assets/nothing.js",
        "/song.toml",
        "/etc/passwd",
    ],
)
def test_nothing_but_the_page_is_served(client: Client, path: str) -> None:
    assert client.ask("GET", path).status_code == 404


def test_a_stem_is_asked_for_by_name_never_by_path(client: Client) -> None:
    assert client.get("stem?name=../../etc/passwd").status_code == 400


def test_every_answer_carries_the_policies(client: Client) -> None:
    answers = [
        client.ask("GET", "/"),
        client.ask("GET", "/assets/main.js"),
        client.get("state"),
        client.get("state", headers={"host": "example.org"}),
        client.post("plan", {"rules": 3}),
    ]
    for answer in answers:
        policy = answer.headers["content-security-policy"]
        assert "unsafe" not in policy
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "no-referrer"
        assert answer.headers["cache-control"] == "no-store"
        assert "access-control-allow-origin" not in answer.headers


def test_the_page_asks_nothing_of_anyone_else() -> None:
    from importlib import resources

    for asset in resources.files("retune.faces.web").joinpath("assets").iterdir():
        text = asset.read_text(encoding="utf-8")
        for scheme in ("https://", "http://"):
            outside = text.replace("http://www.w3.org/2000/svg", "")
            assert scheme not in outside, f"{asset.name} names an outside address"
        assert "style=" not in text, f"{asset.name} sets style where the policy forbids it"
        assert " onclick=" not in text.replace("onclick: ", "")
