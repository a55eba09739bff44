"""Bytes on the wire that no browser sends: half requests, bombs, lies about length.

Whatever comes, the server answers in its own words or hangs up, and goes on serving others."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from web_client import demo_copy
from workbench_browser import TOKEN, running

from retune.faces.web import guard, listener


@pytest.fixture(scope="module")
def port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    """A real server that is patient for a moment only."""
    song = demo_copy(tmp_path_factory.mktemp("wire") / "song")
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(guard, "BODY_S", 0.4)
        patched.setattr(listener, "HEAD_S", 0.4)
        with running(song, folder=song.parent) as (address, _):
            yield int(address.split("/#")[0].rsplit(":", 1)[1])


def head(port: int, start: str, *fields: str, token: str = TOKEN) -> bytes:
    lines = [start, f"Host: 127.0.0.1:{port}", f"X-Retune-Token: {token}", *fields, "", ""]
    return "\r\n".join(lines).encode("latin-1")


def exchanged(port: int, *parts: bytes, pause_s: float = 0.0) -> bytes:
    """All that comes back until the server hangs up (b"" where it hangs up at once)."""
    got = b""
    with socket.create_connection(("127.0.0.1", port), timeout=8) as link:
        try:
            for part in parts:
                link.sendall(part)
                time.sleep(pause_s)
            while block := link.recv(1 << 16):
                got += block
        except (ConnectionResetError, BrokenPipeError):
            pass
    return got


def status(answer: bytes) -> int:
    return int(answer.split(b" ", 2)[1])


def assert_alive(port: int) -> None:
    answer = exchanged(port, head(port, "GET /api/state HTTP/1.1", "Connection: close"))
    assert status(answer) == 200
    assert b'"open":true' in answer


POST = "POST /api/plan HTTP/1.1"
KIND = "Content-Type: application/json"


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        (("Content-Length: 99999999999",), 413),
        (("Content-Length: " + "9" * 17,), 413),
        (("Content-Length: " + "9" * 5000,), 400),
        (("Content-Length: -1",), 400),
        (("Content-Length: 1e3",), 400),
        (("Content-Length: 2", "Content-Length: 3"), 400),
        (("Transfer-Encoding: gzip",), 400),
        (("X-Bomb: " + "x" * 1_000_000,), 400),
        (tuple(f"X-{n}: {'y' * 100}" for n in range(1200)), 400),
        (("Bad header: \x01",), 400),
    ],
)
def test_a_lie_about_the_body_is_refused(port: int, fields: tuple[str, ...], expected: int) -> None:
    answer = exchanged(port, head(port, POST, KIND, *fields))
    assert answer == b"" or status(answer) == expected
    assert b"Traceback" not in answer
    assert_alive(port)


def test_a_body_that_comes_slowly_is_given_up(port: int) -> None:
    answer = exchanged(port, head(port, POST, KIND, "Content-Length: 100"), b'{"rules"')
    assert status(answer) == 408
    assert b"in time" in answer
    assert_alive(port)


def test_a_body_of_drops_is_given_up_though_each_comes_soon(port: int) -> None:
    drops = [b" "] * 12
    answer = exchanged(port, head(port, POST, KIND, "Content-Length: 100"), *drops, pause_s=0.1)
    assert answer == b"" or status(answer) == 408
    assert_alive(port)


def test_an_upload_that_stalls_leaves_nothing(port: int) -> None:
    start = "PUT /api/upload?name=slow.wav HTTP/1.1"
    kind = "Content-Type: application/octet-stream"
    answer = exchanged(port, head(port, start, kind, "Content-Length: 1000"), b"RIFF")
    assert status(answer) == 408
    assert_alive(port)


def test_an_upload_says_its_size_first(port: int) -> None:
    start = "PUT /api/upload?name=large.wav HTTP/1.1"
    kind = "Content-Type: application/octet-stream"
    answer = exchanged(port, head(port, start, kind, "Content-Length: 1000000001"))
    assert status(answer) == 413


def test_a_head_that_does_not_end_is_hung_up_on(port: int) -> None:
    for sent in (b"", b"GET", head(port, "GET / HTTP/1.1")[:-2]):
        assert exchanged(port, sent) == b""
    whole = head(port, "GET /api/state HTTP/1.1")
    answer = exchanged(port, whole, b"GET /api/st", pause_s=0.2)  # the second one does not end
    assert status(answer) == 200
    assert_alive(port)


def test_many_half_requests_at_once_keep_nobody_out(port: int) -> None:
    links = [socket.create_connection(("127.0.0.1", port)) for _ in range(150)]
    try:
        for link in links:
            link.sendall(b"GET / HTTP/1.1\r\n")
        assert_alive(port)
    finally:
        for link in links:
            link.close()


@pytest.mark.parametrize(
    "sent",
    [
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",  # the start of TLS
        b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
        b"GET /\r\n\r\n",
        b"\r\n" * 3 + b"\0" * 100 + b"\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n",
        b"GET / HTTP/1.1\r\n\r\n",
    ],
)
def test_what_is_no_request_is_hung_up_on(port: int, sent: bytes) -> None:
    answer = exchanged(port, sent)
    assert answer == b"" or status(answer) in (400, 421)
    assert b"Traceback" not in answer
    assert_alive(port)


def test_an_address_in_the_request_line_is_no_way_round_the_host(port: int) -> None:
    start = f"GET http://127.0.0.1:{port}/api/state HTTP/1.1"
    sent = head(port, start).replace(f"Host: 127.0.0.1:{port}".encode(), b"Host: example.org")
    answer = exchanged(port, sent)
    assert status(answer) in (400, 404, 421)
    assert b'"open"' not in answer


def test_a_second_request_hidden_in_a_body_needs_its_own_token(port: int) -> None:
    """Without a token the body is not read and the connection ends, so that nothing in it is
    taken for a request."""
    hidden = head(port, "GET /api/state HTTP/1.1")
    length = f"Content-Length: {len(hidden)}"
    answer = exchanged(port, head(port, POST, KIND, length, token="wrong") + hidden)
    assert status(answer) == 401
    assert answer.count(b"HTTP/1.1 ") == 1


def test_the_server_does_not_name_itself(port: int) -> None:
    answer = exchanged(port, head(port, "GET / HTTP/1.1", "Connection: close"))
    assert b"\r\nserver:" not in answer.lower()


def test_nothing_was_left_in_the_folder(
    port: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    left = [p for p in Path(tmp_path_factory.getbasetemp()).rglob("*.tmp") if ".retune-" in p.name]
    assert left == []
