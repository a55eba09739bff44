"""What this program left under a path, so that it knows a file of its own that was edited since.

For each file a note of its size, its SHA-256 and the song it was made of, in the user's cache
folder and not beside the file: a folder may come from anybody. Without a note, as on another
machine, nothing is known.
"""

from __future__ import annotations

import hashlib
import os
import random
import re
import secrets
from contextlib import suppress
from pathlib import Path

from retune.sound.cache import default_folder
from retune.sound.files import open_regular, sha256_file

MOST_NOTES = 5_000
_MOST_BYTES = 20_000
_NOTE = re.compile("([0-9]+) ([0-9a-f]{64})(?: (.+))?", re.DOTALL)


def is_edited(path: Path) -> bool:
    """Whether the file at `path` is not the one that was left there last; False where no note
    tells."""
    try:
        size, digest, _ = _noted(path)
        return path.stat().st_size != int(size) or sha256_file(path) != digest
    except (OSError, ValueError):
        return False


def song_of(path: Path) -> Path | None:
    """The song file that the file at `path` was made of; None where no note tells."""
    try:
        _, _, song = _noted(path)
    except (OSError, ValueError):
        return None
    return Path(song) if song else None


def _noted(path: Path) -> tuple[str, ...]:
    """What is noted of the file at `path`. Raises OSError and ValueError where nothing is."""
    if not os.access(_folder(), os.W_OK):  # what is there may be old
        raise ValueError("nothing can be noted")
    with open_regular(_note(path)) as (stream, _):
        found = _NOTE.fullmatch(os.fsdecode(stream.read(_MOST_BYTES)))
    if found is None:
        raise ValueError("the note is damaged")
    return found.groups(default="")


def forget(path: Path) -> None:
    """Know nothing of the file at `path`, which is about to be replaced: whenever that ends, the
    note does not tell of another."""
    with suppress(OSError):
        _note(path).unlink(missing_ok=True)


def remember(path: Path, *, song: Path | None = None) -> None:
    """Note the file as it stands now, made of this song. What cannot be noted is not known."""
    with suppress(OSError):
        note = _note(path)
        note.parent.mkdir(parents=True, exist_ok=True)
        part = note.with_name(f"{secrets.token_hex(8)}.tmp")
        facts = f"{path.stat().st_size} {sha256_file(path)}"
        part.write_bytes(os.fsencode(f"{facts} {os.path.realpath(song)}" if song else facts))
        os.replace(part, note)
        if random.random() < 0.02:
            _clear(note.parent)


def _clear(folder: Path) -> None:
    """Remove the oldest notes where there are too many."""
    notes = sorted(os.scandir(folder), key=lambda note: note.stat().st_mtime_ns)
    for note in notes[: max(len(notes) - MOST_NOTES, 0)]:
        os.unlink(note)


def _folder() -> Path:
    return default_folder() / "made"


def _note(path: Path) -> Path:
    name = os.path.realpath(path).encode("utf-8", "surrogateescape")
    return _folder() / hashlib.sha256(name).hexdigest()
