"""Handlers in plain form: a desk and a request in, JSON (or bytes) out, errors as one line."""

from __future__ import annotations

import re
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
from retune.faces.web.given import MUSIC_FIELDS, SONG_FIELDS, STEM_FIELDS
from retune.faces.web.work import Tasks

# "song.toml, line 15: music.key: ..." or "tempo_bpm: ..."
_FIELD_FAULT = re.compile(
    rf"(?:.+?\.toml(?:, line \d+)?: )?(?:music\.|stems\.)?"
    rf"((?:[\w-]+\.)?(?:{'|'.join((*MUSIC_FIELDS, *SONG_FIELDS, *STEM_FIELDS))}))"
    r"(?: entry \d+)*: (.+)"
)
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
    words = " ".join(str(error).split())
    return JSONResponse({"error": words, **_of_field(words)}, status_code=status)


def _of_field(words: str) -> dict[str, str]:
    """The fact of a song that a fault is about, as fields of the page are called, and the fault
    without file and line, which a page does not show."""
    found = _FIELD_FAULT.fullmatch(words)
    return {"field": found[1], "why": _sentence(found[2])} if found else {}


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:].removesuffix('.')}."
