"""The server in process, without a socket: a plain client with the token."""

from __future__ import annotations

import asyncio
import json
import shutil
import struct
from pathlib import Path
from typing import Any

import httpx
import numpy as np

from retune.faces.web.app import create_app
from retune.faces.web.desk import Desk
from retune.pipeline.demo import SHIPPED, demo_folder

PORT = 8123
TOKEN = "secret-token"
HOME = f"http://127.0.0.1:{PORT}"
RULE = "move phrase-ending degree 2 to degree 1"


class Client:
    """Asks an application; every call is one request with its own event loop."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.app = create_app(desk, token=TOKEN, port=PORT)

    def ask(
        self, method: str, path: str, *, headers: dict[str, str | bytes] | None = None, **more: Any
    ) -> httpx.Response:
        given = {"x-retune-token": TOKEN, **(headers or {})}
        given = {name: value for name, value in given.items() if value}

        async def one() -> httpx.Response:
            transport = httpx.ASGITransport(app=self.app)
            async with httpx.AsyncClient(transport=transport, base_url=HOME) as client:
                return await client.request(method, path, headers=given, **more)

        return asyncio.run(one())

    def get(self, path: str, **more: Any) -> httpx.Response:
        return self.ask("GET", f"/api/{path}", **more)

    def post(self, path: str, body: Any = None, **more: Any) -> httpx.Response:
        return self.ask("POST", f"/api/{path}", json={} if body is None else body, **more)

    def song(self) -> dict[str, Any]:
        answer = self.get("song")
        assert answer.status_code == 200, answer.text
        song: dict[str, Any] = answer.json()
        return song


def demo_copy(folder: Path) -> Path:
    """The demo song in a folder of its own; returns its song file."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in SHIPPED:
        (folder / name).parent.mkdir(exist_ok=True)
        shutil.copyfile(demo_folder() / name, folder / name)
    return folder / "song.toml"


def client_of(song: Path) -> Client:
    return Client(Desk(song, folder=song.parent))


def unpacked(body: bytes) -> tuple[dict[str, Any], list[tuple[str, int, np.ndarray[Any, Any]]]]:
    """Head, and (stem, start, samples (n, channels)) of every patch that travelled."""
    length = struct.unpack("<I", body[:4])[0]
    head = json.loads(body[4 : 4 + length])
    samples = np.frombuffer(body[4 + length :], dtype="<f4")
    patches = []
    for piece in head["pieces"]:
        for patch in piece["patches"] or ():
            n, channels, at = patch["n_samples"], patch["n_channels"], patch["offset"]
            block = samples[at : at + n * channels].reshape(channels, n).T
            patches.append((piece["stem"], patch["start"], block))
    return head, patches
