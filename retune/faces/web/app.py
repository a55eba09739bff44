"""The server of the workbench as an ASGI application, without a socket."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from functools import cache
from importlib import resources
from types import MappingProxyType

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from retune.faces.web import api_change, api_make, api_new, api_song
from retune.faces.web.answers import Bench, Handler, endpoint
from retune.faces.web.desk import Desk
from retune.faces.web.guard import Guard
from retune.faces.web.work import Tasks

GET: Mapping[str, Handler] = {
    "state": api_song.state,
    "song": api_song.song,
    "stem": api_song.stem,
    "overview": api_song.seen_whole,
    "task": api_make.task,
    "files": api_new.files,
    "beside": api_make.beside,
}
POST: Mapping[str, Handler] = {
    "plan": api_song.plan,
    "choices": api_song.choices,
    "manner": api_song.manner,
    "complete": api_song.complete,
    "suggest": api_song.suggest,
    "picture": api_song.picture,
    "large": api_song.large,
    "sound": api_song.sound,
    "levels": api_song.levels,
    "drafts": api_change.keep_drafts,
    "variant": api_change.save_variant,
    "variant/remove": api_change.remove_variant,
    "correct": api_change.correct,
    "correct/remove": api_change.uncorrect,
    "music": api_change.music,
    "undo": api_change.undo,
    "redo": api_change.redo,
    "reload": api_change.reload,
    "make": api_make.make,
    "task/stop": api_make.stop_task,
    "blind": api_make.blind_design,
    "new": api_new.new_song,
    "demo": api_new.demo,
}
UPLOAD = "/api/upload"
_TYPES = {
    "html": "text/html; charset=utf-8",
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
    "woff2": "font/woff2",
}
_SHARED = (
    *("retune-text-", "dom.js", "player.js", "mixer.js", "blind", "stage", "page-pic"),
    *("inks.css", "common.css"),
)


def create_app(desk: Desk, *, token: str, port: int) -> Starlette:
    """The whole application for one desk; only 127.0.0.1 and localhost at `port` may be asked."""
    bench = Bench(desk, Tasks())

    @asynccontextmanager
    async def life(app: Starlette) -> AsyncIterator[None]:
        yield
        bench.tasks.stop_all()
        desk.close()

    routes = [Route("/", _page), Route("/assets/{name}", _asset)]
    routes += [Route(f"/api/{path}", endpoint(bench, do)) for path, do in GET.items()]
    routes += [
        Route(f"/api/{path}", endpoint(bench, do), methods=["POST"]) for path, do in POST.items()
    ]
    routes.append(Route(UPLOAD, api_new.upload(bench), methods=["PUT"]))
    hosts = frozenset({f"127.0.0.1:{port}", f"localhost:{port}"})
    uploads = {UPLOAD: api_new.MAX_FILE_BYTES}
    guard = Middleware(Guard, token=token, hosts=hosts, uploads=uploads)
    refusals = {HTTPException: _refused}
    app = Starlette(routes=routes, middleware=[guard], exception_handlers=refusals, lifespan=life)
    app.router.redirect_slashes = False
    return app


async def _refused(request: Request, error: Exception) -> Response:
    """No such path, or no such method on it."""
    assert isinstance(error, HTTPException)
    words = error.detail[:1].lower() + error.detail[1:]
    return JSONResponse({"error": words}, status_code=error.status_code, headers=error.headers)


async def _page(request: Request) -> Response:
    return _file("index.html")


async def _asset(request: Request) -> Response:
    return _file(request.path_params["name"])


def _file(name: str) -> Response:
    found = _assets().get(name)
    if found is None:
        return JSONResponse({"error": "there is no such file"}, status_code=404)
    content, media_type = found
    return Response(content, media_type=media_type)


@cache
def _assets() -> Mapping[str, tuple[bytes, str]]:
    """Every file of the page by name, from this room and (what both share) that of comparison.

    A request is looked up here and never becomes a path.
    """
    own = resources.files("retune.faces.web").joinpath("assets").iterdir()
    shared = resources.files("retune.comparison").joinpath("assets").iterdir()
    wanted = [*own, *(file for file in shared if file.name.startswith(_SHARED))]
    return MappingProxyType(
        {
            file.name: (file.read_bytes(), _TYPES[file.name.rsplit(".", 1)[-1]])
            for file in wanted
            if file.name.rsplit(".", 1)[-1] in _TYPES
        }
    )
