"""Handlers in plain form: a desk and a request in, JSON (or bytes) out, errors as one line."""

from __future__ import annotations

import traceback
from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response

from retune.carriers.errors import ChangedError, InputError, RetuneError, UsageError
from retune.faces.web.asked import Asked
from retune.faces.web.desk import Desk
from retune.faces.web.work import Tasks

Handler = Callable[["Bench", Asked], Any]


@dataclass(frozen=True, eq=False)
class Bench:
    """What handlers work with; made once a server (see `retune.faces.web.app`)."""

    desk: Desk
    tasks: Tasks


def undisturbed(handler: Handler) -> Handler:
    """A handler during which no other request changes the song: what it changes and what it
    tells are one."""

    @wraps(handler)
    def run(bench: Bench, asked: Asked) -> Any:
        with bench.desk.held:
            return handler(bench, asked)

    return run


def endpoint(bench: Bench, handler: Handler) -> Callable[[Request], Any]:
    """An asynchronous endpoint: reads the JSON, runs `handler` in a thread, tells its errors."""

    async def answer(request: Request) -> Response:
        try:
            body = await request.json() if request.method == "POST" else dict(request.query_params)
        except (ValueError, RecursionError):  # a number of 5000 digits is a plain ValueError
            return told(UsageError("the request does not read as JSON"))
        except ClientDisconnect:
            return told(UsageError("the request broke off"))
        try:
            value = await run_in_threadpool(_run, handler, bench, body)
        except RetuneError as error:
            return told(error)
        except Exception as error:
            traceback.print_exc()
            words = " ".join(f"unexpected: {type(error).__name__}: {error}".split())
            return JSONResponse({"error": words}, status_code=500)
        return value if isinstance(value, Response) else JSONResponse(value)

    return answer


def _run(handler: Handler, bench: Bench, body: Any) -> Any:
    return handler(bench, Asked(body))


def told(error: RetuneError) -> JSONResponse:
    """An error as the page shows it: 409 for a conflict, 400 for wrong input, 422 for the rest."""
    status = 400 if isinstance(error, InputError) else 422
    if isinstance(error, ChangedError):
        status = 409
    return JSONResponse({"error": " ".join(str(error).split())}, status_code=status)
