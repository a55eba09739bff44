"""Who may ask: this machine's own page, with its token, and nobody else.

The server listens on loopback only, but every page in the browser can send requests there, and
a host name may be made to point there. So each request must name a loopback host, come from our
own origin, and (for data) carry the token that only the opened address holds.
"""

from __future__ import annotations

import asyncio
import hmac
import json
import time
import traceback
from collections.abc import Mapping
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from retune.carriers.text import printable

_JSON = "application/json"
TOKEN_HEADER = "x-retune-token"
MAX_JSON_BYTES = 2_000_000
BODY_S = 30.0
"""How long a body of JSON, or the next piece of a file, may take to come."""
CONTENT_SECURITY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; font-src 'self'; img-src 'self'; "
    "connect-src 'self'; media-src 'self' blob:; worker-src 'self'; form-action 'none'; "
    "frame-ancestors 'none'; base-uri 'none'"
)
HEADERS = {
    "content-security-policy": CONTENT_SECURITY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(self), midi=(self), geolocation=()",
    "cache-control": "no-store",
}


class Guard:
    """ASGI middleware that refuses what does not come from our own page.

    `hosts` are the values of Host that are ours; `uploads` the paths that take a file, and how
    many bytes of it.
    """

    def __init__(
        self, app: ASGIApp, *, token: str, hosts: frozenset[str], uploads: Mapping[str, int]
    ) -> None:
        self.app = app
        self.token = token
        self.hosts = hosts
        self.uploads = uploads

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        refused = self.refusal(scope)
        if refused is not None:
            await _refuse(send, *refused)
            return

        begun = False

        async def guarded(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
            await send(message)

        try:
            await self.app(scope, self._limited(scope["path"], receive), guarded)
        except BodyRefusedError as error:
            await _refuse(send, *error.answer)
        except Exception as error:
            traceback.print_exc()
            if begun:
                raise
            words = printable(f"unexpected: {type(error).__name__}: {error}")
            await _refuse(send, 500, words)

    def refusal(self, scope: Scope) -> tuple[int, str] | None:
        """(status, reason) when a request may not pass, else None."""
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if host not in self.hosts:
            return 421, "this server answers to its own loopback address only"
        origin = headers.get("origin")
        if origin is not None and origin != f"http://{host}":
            return 403, "requests from other pages are refused"
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return 403, "requests from other sites are refused"
        if not scope["path"].startswith("/api/"):
            return None if scope["method"] in ("GET", "HEAD") else (405, "only GET here")
        given = headers.get(TOKEN_HEADER, "")
        if not hmac.compare_digest(given.encode(), self.token.encode()):
            return 401, "the token is missing or old: open the address that retune printed"
        return self._body_refusal(scope, headers)

    def _body_refusal(self, scope: Scope, headers: Headers) -> tuple[int, str] | None:
        if scope["method"] in ("GET", "HEAD"):
            return None
        is_upload = scope["path"] in self.uploads
        method, wanted = ("PUT", "application/octet-stream") if is_upload else ("POST", _JSON)
        if scope["method"] != method:
            return 405, f"only {method} here" if is_upload else "only GET and POST here"
        kind = headers.get("content-type", "").split(";")[0].strip().lower()
        if kind != wanted:
            return 415, f"only {wanted} is taken"
        length, limit = headers.get("content-length", "0"), self._limit(scope["path"])
        # Compared by its digits first: a number of thousands of them is not worth reading.
        if not length.isdecimal() or len(length) > 18 or int(length) > limit:
            return _too_large(limit)
        return None

    def _limit(self, path: str) -> int:
        return self.uploads.get(path, MAX_JSON_BYTES)

    def _limited(self, path: str, receive: Receive) -> Receive:
        """`receive`, but a body may be neither too large (whatever it declared) nor too slow."""
        limit, got, whole = self._limit(path), 0, False
        until = time.monotonic() + BODY_S

        async def read() -> Message:
            nonlocal got, whole
            if whole:  # who waits on waits for the other side to leave
                return await receive()
            wait_s = BODY_S if path in self.uploads else until - time.monotonic()
            try:
                message = await asyncio.wait_for(receive(), max(wait_s, 0.0))
            except TimeoutError:
                raise BodyRefusedError(408, "the request did not come to its end in time") from None
            got += len(message.get("body", b""))
            whole = not message.get("more_body", False)
            if got > limit:
                raise BodyRefusedError(*_too_large(limit))
            return message

        return read


class BodyRefusedError(Exception):
    """A body that grew too large or came too slowly; `answer` is a status and a reason."""

    def __init__(self, status: int, reason: str) -> None:
        super().__init__(reason)
        self.answer = status, reason


def _too_large(limit: int) -> tuple[int, str]:
    return 413, f"more than {limit} bytes"


async def _refuse(send: Send, status: int, reason: str) -> None:
    body: Any = json.dumps({"error": reason}).encode()
    headers = {
        **HEADERS,
        "content-type": _JSON,
        "content-length": str(len(body)),
        "connection": "close",  # what is left of the request is not read
    }
    await send(
        {
            "type": "http.response.start",
            "status": status,
            "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
        }
    )
    await send({"type": "http.response.body", "body": body})
