"""`retune serve` as a process: its address, a taken port, Ctrl-C, a kill amid saves."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
from web_client import RULE, demo_copy

from retune.faces import cli
from retune.song.songfile import read_song


def _hear_signals() -> None:
    """As in a terminal, wherever the tests run: under nohup or in the background some are ignored,
    and a process hands that on to those it starts."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_DFL)


@contextmanager
def served(*arguments: str, cwd: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A server and the address it printed."""
    process = subprocess.Popen(
        [sys.executable, "-m", "retune", "serve", *arguments, "--no-browser"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=cwd,
        preexec_fn=_hear_signals,
    )
    try:
        assert process.stdout is not None
        yield process, process.stdout.readline().strip()
    finally:
        with suppress(ProcessLookupError):
            process.kill()
        process.communicate()


def asked(address: str, path: str, body: Any = None) -> Any:
    base, token = address.split("/#")
    data = None if body is None else json.dumps(body).encode()
    headers = {"x-retune-token": token, "content-type": "application/json"}
    request = urllib.request.Request(f"{base}/api/{path}", data=data, headers=headers)
    with urllib.request.urlopen(request, timeout=60) as answer:
        return json.loads(answer.read())


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_it_prints_its_address_and_ends_when_asked(name: str, tmp_path: Path) -> None:
    with served(cwd=tmp_path) as (process, address):
        assert address.startswith("http://127.0.0.1:")
        assert len(address.split("/#")[1]) >= 32
        assert asked(address, "state")["open"] is False
        with pytest.raises(urllib.error.HTTPError, match="401"):
            asked(address.split("#")[0] + "#wrong", "state")
        process.send_signal(getattr(signal, name))
        _, errors = process.communicate(timeout=15)
        assert process.returncode == 0
        assert "Traceback" not in errors


def test_the_token_is_in_no_log(tmp_path: Path) -> None:
    """It is told once, in the address; no request, right or wrong, makes it be said again."""
    song = demo_copy(tmp_path / "song")
    with served(str(song), cwd=tmp_path) as (process, address):
        token = address.split("/#")[1]
        asked(address, "state")
        for path, body in (("plan", {"rules": 3}), ("task/stop", {"id": token}), ("no", {})):
            with pytest.raises(urllib.error.HTTPError) as refused:
                asked(address, path, body)
            assert token not in str(refused.value.headers)
            assert path == "task/stop" or token not in refused.value.read().decode()
        process.send_signal(signal.SIGINT)
        said, errors = process.communicate(timeout=15)
    assert token not in said
    assert token not in errors


def test_it_listens_on_loopback_alone(tmp_path: Path) -> None:
    with served(cwd=tmp_path) as (_, address):
        port = int(address.split("/#")[0].rsplit(":", 1)[1])
        try:
            others = {info[4][0] for info in socket.getaddrinfo(socket.gethostname(), None)}
        except socket.gaierror:  # a machine that has no address for its own name
            others = set()
        others.add("127.0.0.2")  # as local, and not the one address that is listened on
        for host in others - {"127.0.0.1", "::1", "127.0.1.1"}:
            with pytest.raises(OSError), socket.create_connection((host, port), timeout=2):
                pass


def test_a_taken_port_is_one_clear_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        assert cli.main(["serve", "--port", str(port), "--no-browser"]) == 1
    assert capsys.readouterr().err == (
        f"retune: error: port {port} is taken by another program: choose another with --port, "
        "or leave it out\n"
    )


def test_wrong_songs_and_ports_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["serve", str(tmp_path / "none.toml"), "--no-browser"]) == 2
    assert "does not exist" in capsys.readouterr().err
    assert cli.main(["serve", str(tmp_path), "--no-browser"]) == 2
    assert "is a folder; give a song file" in capsys.readouterr().err
    with pytest.raises(SystemExit) as stopped:
        cli.main(["serve", "--port", "0"])
    assert stopped.value.code == 2


def test_no_option_listens_elsewhere() -> None:
    parser = cli.build_parser()
    for option in ("--host=0.0.0.0", "--bind=0.0.0.0", "--address=0.0.0.0"):
        with pytest.raises(SystemExit):
            parser.parse_args(["serve", option])


def test_without_the_extra_it_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import importlib.util

    found = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util,
        "find_spec",
        lambda name, *a: None if name == "starlette" else found(name, *a),
    )
    assert cli.main(["serve", "--no-browser"]) == 2
    assert "pip install 'retune[web]'" in capsys.readouterr().err


@pytest.mark.slow
def test_a_kill_amid_saves_leaves_a_whole_song_file(tmp_path: Path) -> None:
    """Killed at three different moments of a stream of saves, the file always reads, and holds
    every save that was answered."""
    for saves_before in (1, 4, 9):
        song = demo_copy(tmp_path / str(saves_before))
        with served(str(song), cwd=tmp_path) as (process, address):
            revision = asked(address, "song")["revision"]
            answered = 0
            for number in range(saves_before):
                body = {"name": f"v{number}", "rules": [RULE], "revision": revision}
                revision = asked(address, "variant", body)["revision"]
                answered += 1
            body = {"name": "last", "rules": [RULE] * 50, "revision": revision}
            base, token = address.split("/#")
            host, port = base.removeprefix("http://").split(":")
            data = json.dumps(body).encode()
            head = (
                f"POST /api/variant HTTP/1.1\r\nHost: {host}:{port}\r\nX-Retune-Token: {token}\r\n"
                f"Content-Type: application/json\r\nContent-Length: {len(data)}\r\n\r\n"
            )
            with socket.create_connection((host, int(port))) as link:
                link.sendall(head.encode() + data)
                os.kill(process.pid, signal.SIGKILL)
                process.wait(timeout=10)
        variants = read_song(song).variants
        assert {f"v{number}" for number in range(answered)} <= set(variants)
