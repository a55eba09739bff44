"""What this program left under a path, so that it knows a file of its own that was edited since.

For each file a note of its size, its SHA-256 and the song it was made of, in the user's cache
folder and not beside the file: a folder may come from anybody. It is found by the path of the file,
and by its folder itself, which may be moved or renamed. Without a note, as on another machine or in
a copy of the folder, nothing is known.
"""

from __future__ import annotations

import hashlib
import os
import random
import re
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from retune.sound.cache import default_folder
from retune.sound.files import open_regular, sha256_file

MOST_NOTES = 100_000
_MOST_BYTES = 20_000
_NOTE = re.compile("([0-9]+) ([0-9a-f]{64})(?: (.+))?", re.DOTALL)


@dataclass(frozen=True)
class Known:
    """What a note tells of a file: whether it is another than was left there last, and the song
    file that it was made of, None where that is not told."""

    is_edited: bool = False
    song: Path | None = None


def known(path: Path) -> Known:
    """What is known of the file at `path`, which is read once; nothing where no note tells."""
    notes = _noted(path)
    if not notes:
        return Known()
    note = _that_of(path, notes)
    if note is None:
        return Known(is_edited=True)
    return Known(song=Path(note[2]) if note[2] else None)


def remember(path: Path, *, song: Path | None = None, handle: int | None = None) -> None:
    """Note the file as it stands now, made of this song; or the open file `handle`, which is about
    to take its place: until it has, and should it never, what stands there is known as before.
    What cannot be noted is not known."""
    with suppress(OSError):
        of_song = os.path.realpath(song) if song else ""
        new = (*_size_and_digest(path if handle is None else handle), of_song)
        before = None if handle is None else _that_of(path, _noted(path))
        text = os.fsencode("\0".join(" ".join(one).rstrip() for one in (new, before) if one))
        _folder().mkdir(parents=True, exist_ok=True)
        for note in _notes(path):
            part = note.with_name(f"{secrets.token_hex(8)}.tmp")
            part.write_bytes(text)
            os.replace(part, note)
        if random.random() < 0.02:
            _clear(_folder())


_stand_ins: dict[str, str] = {}


@contextmanager
def standing_for(folder: Path, address: str = "") -> Iterator[None]:
    """Meanwhile `folder` is but where the files of a store are made: they are remembered by their
    address there, not by a path or a folder that another will have later; without an address not
    at all."""
    place = os.path.realpath(folder)
    _stand_ins[place] = address
    try:
        yield
    finally:
        del _stand_ins[place]


_Note = tuple[str, str, str]
"""Size, digest, song."""


def _noted(path: Path) -> list[_Note]:
    """What may stand at `path` by its note; nothing where there is none, or a damaged one."""
    if not os.access(_folder(), os.W_OK):  # what is there may be old
        return []
    lines: list[str] = []
    for note in _notes(path):
        with suppress(OSError), open_regular(note) as (stream, _):
            lines += os.fsdecode(stream.read(_MOST_BYTES)).split("\0")
    found = [_NOTE.fullmatch(line) for line in lines]
    return [(one[1], one[2], one[3] or "") for one in found if one]


def _that_of(path: Path, notes: list[_Note]) -> _Note | None:
    """Which of some notes is that of the file as it stands at `path`."""
    try:
        here = _size_and_digest(path) if notes else None
    except OSError:
        return None
    return next((note for note in notes if note[:2] == here), None)


def _size_and_digest(file: Path | int) -> tuple[str, str]:
    if isinstance(file, Path):
        return str(file.stat().st_size), sha256_file(file)
    digest, place = hashlib.sha256(), os.lseek(file, 0, os.SEEK_CUR)
    os.lseek(file, 0, os.SEEK_SET)
    while block := os.read(file, 1 << 20):
        digest.update(block)
    os.lseek(file, place, os.SEEK_SET)
    return str(os.fstat(file).st_size), digest.hexdigest()


def _clear(folder: Path) -> None:
    """Remove the oldest notes where there are too many, and nothing that has another name: a folder
    that was named for the cache may hold somebody's own."""
    found = (entry for entry in os.scandir(folder) if _NAME.fullmatch(entry.name))
    notes = sorted(found, key=lambda note: note.stat().st_mtime_ns)
    for note in notes[: max(len(notes) - MOST_NOTES, 0)]:
        os.unlink(note)


_NAME = re.compile(r"[0-9a-f]{64}|[0-9a-f]{16}\.tmp")


def _folder() -> Path:
    return default_folder() / "made"


def _notes(path: Path) -> list[Path]:
    """Where the notes on a file lie."""
    whole = os.path.realpath(path)
    for folder in sorted(_stand_ins, key=len, reverse=True):
        if whole.startswith(folder + os.sep):
            address = _stand_ins[folder] and f"{_stand_ins[folder]}{whole[len(folder) :]}"
            return [_folder() / hashlib.sha256(os.fsencode(address)).hexdigest()] if address else []
    names = [whole.encode("utf-8", "surrogateescape")]
    with suppress(OSError):
        home = os.stat(os.path.dirname(whole))
        in_folder = f"{home.st_dev} {home.st_ino}\0".encode() + os.fsencode(path.name)
        names.append(in_folder)
    return [_folder() / hashlib.sha256(name).hexdigest() for name in names]
