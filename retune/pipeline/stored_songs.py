"""Songs that lie in a file store, and renditions that go there: a song is fetched into a folder of
this machine with all that it names, worked on as any other, and what was made is sent back.

What stands in the store already is fetched too, so that files of others are kept, `resume` sees
what is whole, and the store holds in the end what a folder would.
"""

from __future__ import annotations

import os
import re
import secrets
import shutil
import sys
import tempfile
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path, PurePosixPath
from typing import Any

from retune.carriers.errors import InputError, RetuneError
from retune.carriers.songfacts import MUSIC_FILES
from retune.pipeline.manifest import MANIFEST
from retune.pipeline.records import Record
from retune.song.songfile import song_text
from retune.song.tomltext import parse_toml
from retune.sound.files import safe_child_path
from retune.sound.folders import try_lock
from retune.sound.remembered import standing_for
from retune.sound.stores import (
    Store,
    fetch,
    is_there,
    mirror,
    send,
    size_of,
    stamps_of,
    stand_in,
    store_at,
)

_DEEPEST = 3  # version/matched-control/stem.wav
_WORKED_IN = re.compile(r"retune-store-[0-9a-f]{16}")


@contextmanager
def working_folder() -> Iterator[Path]:
    """A folder of this machine for as long as it is used, where temporary files go. What killed
    processes of this user left there is removed: it may be gigabytes each."""
    temporary = Path(tempfile.gettempdir()).resolve()
    _clear_left(temporary)
    folder, handle = _begun(temporary)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        if handle is not None:
            os.close(handle)


def _begun(temporary: Path) -> tuple[Path, int | None]:
    """A new folder, and what it is held by: the lock ends with its process."""
    while True:
        folder = temporary / f"retune-store-{secrets.token_hex(8)}"
        folder.mkdir(mode=0o700)
        if sys.platform == "win32":
            return folder, None
        with suppress(FileNotFoundError):  # another process took it for a leftover
            handle = os.open(folder, os.O_RDONLY)
            if try_lock(handle) != "taken" and folder.exists():
                return folder, handle
            os.close(handle)


def _clear_left(temporary: Path) -> None:
    if sys.platform == "win32":  # where an open folder has no lock
        return
    for path in temporary.glob("retune-store-*"):
        if _WORKED_IN.fullmatch(path.name):
            with suppress(OSError):
                _clear_one(path)


def _clear_one(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
    try:
        if os.fstat(handle).st_uid == os.getuid() and try_lock(handle) == "ours":
            shutil.rmtree(path, ignore_errors=True)
    finally:
        os.close(handle)


def fetch_song(address: str, folder: Path, *, with_stems: bool = True) -> Path:
    """Fetch a song file, or a recording alone, and the files beside it that it names; without
    stems their names and sizes alone. A file that is not there is not fetched: reading the song
    tells.

    Raises InputError where the song itself is not there.
    """
    store = store_at(address)
    path = safe_child_path(_made(folder), address.rstrip("/").rpartition("/")[2])
    if path.suffix.lower() != ".toml":
        fetch(store, path)
        return path
    fetch(store, path)
    home = store_at(address.rstrip("/").rpartition("/")[0])
    for name, is_stem in _named_files(path).items():
        _fetch_beside(home, folder, name, is_whole=with_stems or not is_stem)
    return path


def _made(folder: Path) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def _named_files(path: Path) -> Mapping[str, bool]:
    """The files that a song file names, and whether they are sound."""
    document = parse_toml(song_text(path), path=path)
    stems, music = _table(document.get("stems")), _table(document.get("music"))
    rows = [_table(stem) for stem in stems.values()]
    sounds = [row.get(name) for row in rows for name in ("file", "voice")]
    others = [music.get(name) for name in MUSIC_FILES]
    found = [(name, True) for name in sounds] + [(name, False) for name in others]
    return {name: is_stem for name, is_stem in found if isinstance(name, str)}


def _table(value: Any) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _fetch_beside(home: Store, folder: Path, name: str, *, is_whole: bool) -> None:
    try:
        path = safe_child_path(folder, name)
    except InputError:  # reading the song says so with its line
        return
    there = home.at(name)
    if not is_there(there):
        return
    if is_whole:
        fetch(there, path)
        return
    stand_in(there, path, size=size_of(there))


@contextmanager
def sent_back(
    target: str, folder: Path, *, versions: Collection[str], noted_as: str = ""
) -> Iterator[None]:
    """A folder that holds these versions as a folder of a store does; what is changed in it
    meanwhile is sent there at the end, manifests last. Nothing is sent where an error ends it. What
    is made is remembered as `standing_for` does by the address `noted_as`."""
    store = store_at(target)
    seen = mirror(store, folder, is_wanted=lambda name: _is_touched(name, versions))
    before = stamps_of(folder)
    with standing_for(folder, noted_as):
        yield
    send(folder, store, before=before, seen=seen, last=_is_last, goes=_goes)


def _is_touched(name: str, versions: Collection[str]) -> bool | None:
    """Whether a file lies where these versions have theirs, or tells of another song's; None for
    all else, which may be any number of files of any size."""
    parts = name.split("/")
    is_theirs = parts[0] in versions and len(parts) <= _DEEPEST
    return is_theirs or (len(parts) == 2 and parts[1] == MANIFEST) or None


def _is_last(name: str) -> bool:
    return name.rpartition("/")[2] in (MANIFEST, "original.json")


def _goes(name: str, changed: Collection[str]) -> bool:
    """Whether a file that is gone was taken away by the version that has just been written around
    it, and not by whoever tidied this machine's temporary files."""
    return any(f"{home.as_posix()}/{MANIFEST}" in changed for home in PurePosixPath(name).parents)


def told(record: Record, places: Mapping[Path, str]) -> Record:
    """A record whose messages name addresses of the store, not the folders that were worked in."""
    record = record.copy()
    if record["error"]:
        record["error"] = _renamed(record["error"], places)
    if "warnings" in record:
        record["warnings"] = [_renamed(line, places) for line in record["warnings"]]
    return record


@contextmanager
def naming(places: Mapping[Path, str]) -> Iterator[None]:
    """Whatever is wrong, told with addresses of the store, too."""
    try:
        yield
    except RetuneError as error:
        raise type(error)(_renamed(str(error), places)) from error


def _renamed(text: str, places: Mapping[Path, str]) -> str:
    for path, address in places.items():
        text = text.replace(str(path), address)
    return text
