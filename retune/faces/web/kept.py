"""What a workbench keeps of a song between runs besides the song file: rules that were not saved,
and the changes that can be taken back. It lies in the user's cache folder, not beside the song."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from retune.carriers.errors import RetuneError
from retune.carriers.songfacts import Variant
from retune.pipeline.manifest import kept_json
from retune.sound.cache import default_folder
from retune.sound.files import atomic_write
from retune.sound.folders import write_reason

MOST_BYTES = 8_000_000
MOST_DRAFTS = 200


@dataclass(frozen=True)
class Kept:
    """What is kept of one song file: `past` and `future` are texts of it (the last is the next to
    be taken back or made again) from the one that `revision` names on; `drafts` are variants as
    they stand on the page, not saved."""

    revision: str = ""
    past: tuple[str, ...] = ()
    future: tuple[str, ...] = ()
    drafts: tuple[Variant, ...] = ()


class Drawer:
    """Where what is kept of one song file lies; nothing is kept without a `folder`. `ident` tells
    the song file from every other and says nothing of it."""

    def __init__(self, song: Path, *, folder: Path | None) -> None:
        name = hashlib.sha256(str(song.resolve()).encode("utf-8", "surrogateescape")).hexdigest()
        self.ident = name[:32]
        self._path = None if folder is None else folder / f"{self.ident}.json"

    def read(self) -> Kept:
        """What was kept last; nothing where that is missing or does not read."""
        if self._path is None:
            return Kept()
        try:
            return _kept(kept_json(self._path, max_bytes=MOST_BYTES))
        except (TypeError, KeyError, AttributeError):
            return Kept()

    def write(self, kept: Kept) -> str:
        """Keep this from now on; returns why it is not kept, "" where it is: the work goes on."""
        if self._path is None:
            return "nothing is kept between runs (--no-cache)"
        told = _bytes_of(replace(kept, past=(), future=()))
        room = MOST_BYTES - len(told)
        if room < 0:
            return f"it is more than {MOST_BYTES // 1_000_000} MB"
        past = within(kept.past, room // 2)
        future = within(kept.future, room // 2)
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            with atomic_write(self._path) as stream:
                stream.write(_bytes_of(replace(kept, past=past, future=future)))
        except OSError as error:
            return f"cannot write to {self._path.parent}: {write_reason(error)}"
        except RetuneError as error:
            return str(error)
        return ""


def within(texts: Iterable[str], n_bytes: int) -> tuple[str, ...]:
    """The last of some texts, as many as can be kept in so many bytes: those that are the next to
    be taken back."""
    newest_first = []
    for text in reversed([*texts]):
        n_bytes -= len(json.dumps(text)) + 2
        if n_bytes < 0:
            break
        newest_first.append(text)
    return tuple(reversed(newest_first))


def _bytes_of(kept: Kept) -> bytes:
    return json.dumps(asdict(kept)).encode("utf-8")


def drawers() -> Path:
    """The folder that holds what is kept of every song."""
    return default_folder() / "workbench"


def _kept(told: dict[str, Any]) -> Kept:
    drafts = [
        Variant(_text(row["name"]), _texts(row["rules"]), _text(row["about"]))
        for row in told["drafts"][:MOST_DRAFTS]
    ]
    return Kept(
        _text(told["revision"]), _texts(told["past"]), _texts(told["future"]), tuple(drafts)
    )


def _texts(value: Sequence[Any]) -> tuple[str, ...]:
    return tuple(_text(item) for item in value)


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError("a text was kept otherwise")
    return value
