"""The HTTP server under the application: quiet, one kind of parser, and patient only so long."""

from __future__ import annotations

import asyncio
import os
import sys
from threading import Timer
from types import FrameType
from typing import Any

import h11
import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

END_S = 0.3
"""How long works have to stop by themselves: on a busy machine all takes a few times as long, and
the whole is to end within a second there too."""
HEAD_S = 10.0
"""How long the head of a request may take to come; its body is timed by the guard."""


class TimedProtocol(H11Protocol):
    """HTTP/1.1 that hangs up on a head that is begun and not ended, which uvicorn waits for
    without end."""

    _hang_up: asyncio.TimerHandle | None = None

    # As uvicorn's own method, which narrows the transport of asyncio in the same way.
    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._watch_head()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        self._watch_head()

    def connection_lost(self, exc: Exception | None) -> None:
        super().connection_lost(exc)
        self._stop_watching()

    def _watch_head(self) -> None:
        if self.conn.their_state is not h11.IDLE:
            self._stop_watching()
        elif self._hang_up is None:
            self._hang_up = asyncio.get_running_loop().call_later(HEAD_S, self.transport.close)

    def _stop_watching(self) -> None:
        if self._hang_up is not None:
            self._hang_up.cancel()
            self._hang_up = None


class PromptServer(uvicorn.Server):
    """A server that ends within a second of being asked, whatever it is at: what is being written
    has another name until it is whole, and is cleared away by the next who writes there."""

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        if not self.should_exit:
            sys.stderr.write("retune: the workbench has ended; what was saved is saved\n")
            sys.stderr.flush()
            last = Timer(END_S, os._exit, [0])
            last.daemon = True
            last.start()
        super().handle_exit(sig, frame)


def server_of(app: Any) -> uvicorn.Server:
    """A server for `app` that writes no log of requests and does not name itself."""
    config = uvicorn.Config(
        app,
        http=TimedProtocol,
        ws="none",
        log_level="error",
        access_log=False,
        server_header=False,
        timeout_graceful_shutdown=3,
    )
    return PromptServer(config)
