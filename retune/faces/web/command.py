"""`retune serve`: the workbench on this machine's loopback, until Ctrl-C."""

from __future__ import annotations

import argparse
import contextlib
import errno
import importlib.util
import secrets
import socket
import sys
import webbrowser
from pathlib import Path

from retune.carriers.errors import SongFileError, UsageError, WorkError
from retune.carriers.install import how_to_add
from retune.faces.stopping import end_when_hung_up
from retune.sound.files import missing_as

HOST = "127.0.0.1"
DEFAULT_PORT = 8732


def serve(arguments: argparse.Namespace) -> int:
    """Serve until interrupted. Raises UsageError without the extra, WorkError without a port."""
    missing = [name for name in ("starlette", "uvicorn") if importlib.util.find_spec(name) is None]
    if missing:
        raise UsageError(f"the workbench needs {' and '.join(missing)}: {how_to_add('web')}")
    path = Path(arguments.song).absolute() if arguments.song else None
    said = missing_as(path) if path is not None else ""
    if said:
        raise SongFileError(f"{arguments.song} {said}; give a song file (song.toml)")
    listener = _listen(arguments.port)
    try:
        return _serve(path, listener, arguments)
    finally:
        listener.close()


def _listen(port: int | None) -> socket.socket:
    """A socket on loopback: the port asked for, or the usual one, or (when that is taken) any."""
    wanted = [port] if port is not None else [DEFAULT_PORT, 0]
    for number in wanted:
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if sys.platform != "win32":
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((HOST, number))
            listener.listen(64)
            return listener
        except OSError as error:
            listener.close()
            if port is None and number:
                continue
            reason = (
                "is taken by another program: choose another with --port, or leave it out"
                if error.errno == errno.EADDRINUSE
                else f"cannot be used: {error.strerror}"
            )
            raise WorkError(f"port {number} {reason}") from error
    raise WorkError("no port is free")


def _serve(path: Path | None, listener: socket.socket, arguments: argparse.Namespace) -> int:
    from retune.faces.web.app import create_app
    from retune.faces.web.desk import Desk
    from retune.faces.web.listener import server_of

    port = listener.getsockname()[1]
    token = secrets.token_urlsafe(24)
    desk = Desk(
        path,
        folder=path.parent if path else Path.cwd(),
        part=(arguments.from_, arguments.to),
    )
    if path is not None:
        _ = desk.opened
        desk.warm()
    address = f"http://{HOST}:{port}/#{token}"
    print(address, flush=True)
    if not arguments.quiet:
        print("the workbench is open at this address, on this machine only. Ctrl-C ends it.")
        sys.stdout.flush()
    if not arguments.no_browser:
        webbrowser.open(address)
    app = create_app(desk, token=token, port=port)
    end_when_hung_up()
    with contextlib.suppress(KeyboardInterrupt):
        server_of(app).run(sockets=[listener])
    return 0
