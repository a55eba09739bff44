"""What a workbench keeps of a song between runs besides the song file: rules that were not saved,
and the changes that can be taken back. It lies in the user's cache folder, not beside the song."""

from __future__ import annotations

import hashlib
import itertools
import json
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from retune.carriers.errors import InputError, OutputError
from retune.carriers.songfacts import Variant
from retune.song.textfile import read_text
from retune.sound.cache import default_folder
from retune.sound.files import atomic_write
from retune.sound.folders import locked_file, write_reason

MOST_BYTES = 8_000_000
MOST_DRAFTS = 200
LOCK_S = 3.0  # a window waits meanwhile


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

    def read(self) -> Kept | None:
        """What was kept last; None where that is missing or does not read."""
        return None if self._path is None else _read(self._path)

    def change(self, make: Callable[[Kept | None], Kept]) -> str:
        """Keep from now on what `make` makes of what was kept last, with no other server's change
        between; returns why it is not kept, "" where it is: the work goes on."""
        if self._path is None:
            make(None)
            return "nothing is kept between runs (--no-cache)"
        kept = None
        try:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            self._path.touch()
            with locked_file(self._path, wait_s=LOCK_S):
                there = _read(self._path)
                kept = make(there)
                data = _bytes_of(kept)
                if there is None:
                    _put_aside(self._path)
                with atomic_write(self._path) as stream:
                    stream.write(data)
        except OSError as error:
            reason = f"cannot write to {self._path.parent}: {write_reason(error)}"
        except OutputError as error:
            reason = str(error)
        else:
            return ""
        if kept is None:
            make(None)
        return reason


def _read(path: Path) -> Kept | None:
    try:
        return _kept(json.loads(read_text(path, what="what was kept", max_bytes=MOST_BYTES)))
    except (InputError, ValueError, RecursionError, TypeError, KeyError, AttributeError):
        return None


def _put_aside(path: Path) -> None:
    """Give what does not read, of another version or damaged, another name: rules may be in it."""
    if path.stat().st_size:
        free = (path.with_name(f"{path.stem}.kept-{n}.json") for n in itertools.count(1))
        os.rename(path, next(name for name in free if not os.path.lexists(name)))


def _bytes_of(kept: Kept) -> bytes:
    """What is kept of it, steps only as far as there is room. Raises OutputError where not even
    the rules have any."""
    room = MOST_BYTES - len(_json(replace(kept, past=(), future=())))
    if room < 0:
        raise OutputError(f"it is more than {MOST_BYTES // 1_000_000} MB")
    past, future = within(kept.past, room // 2), within(kept.future, room // 2)
    return _json(replace(kept, past=past, future=future))


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


def _json(kept: Kept) -> bytes:
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
