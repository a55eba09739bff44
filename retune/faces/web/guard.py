"""Who may ask: this machine's own page, with its token, and nobody else.

The server listens on loopback only, but every page in the browser can send requests there, and
a host name may be made to point there. So each request must name a loopback host, come from our
own origin, and (for data) carry the token that only the opened address holds.
"""

from __future__ import annotations

import hmac
import json
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

TOKEN_HEADER = "x-retune-token"
MAX_JSON_BYTES = 2_000_000
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
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
    "cache-control": "no-store",
}


class Guard:
    """ASGI middleware that refuses what does not come from our own page.

    `hosts` are the values of Host that are ours; `upload` the one path that takes bytes.
    """

    def __init__(self, app: ASGIApp, *, token: str, hosts: frozenset[str], upload: str) -> None:
        self.app = app
        self.token = token
        self.hosts = hosts
        self.upload = upload

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

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
            await send(message)

        limited = receive if scope["path"] == self.upload else _limited(receive)
        try:
            await self.app(scope, limited, guarded)
        except BodyTooLargeError:
            await _refuse(send, 413, f"more than {MAX_JSON_BYTES} bytes of JSON")

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
        kind = headers.get("content-type", "").split(";")[0].strip().lower()
        if scope["path"] == self.upload and scope["method"] == "PUT":
            wanted = "application/octet-stream"
            return None if kind == wanted else (415, f"an upload must be {wanted}")
        if scope["method"] != "POST":
            return 405, "only GET and POST here"
        if kind != "application/json":
            return 415, "only application/json is taken"
        length = headers.get("content-length", "0")
        if not length.isdecimal() or int(length) > MAX_JSON_BYTES:
            return 413, f"more than {MAX_JSON_BYTES} bytes of JSON"
        return None


class BodyTooLargeError(Exception):
    """A body without a declared length that grew too large."""


def _limited(receive: Receive) -> Receive:
    got = 0

    async def read() -> Message:
        nonlocal got
        message = await receive()
        got += len(message.get("body", b""))
        if got > MAX_JSON_BYTES:
            raise BodyTooLargeError
        return message

    return read


async def _refuse(send: Send, status: int, reason: str) -> None:
    body: Any = json.dumps({"error": reason}).encode()
    headers = {**HEADERS, "content-type": "application/json", "content-length": str(len(body))}
    await send(
        {
            "type": "http.response.start",
            "status": status,
            "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
        }
    )
    await send({"type": "http.response.body", "body": body})
