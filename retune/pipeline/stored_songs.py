"""Songs that lie in a file store, and renditions that go there: a song is fetched into a folder of
this machine with all that it names, worked on as any other, and what was made is sent back.

What stands in the store already is fetched too, so that files of others are kept, `resume` sees
what is whole, and the store holds in the end what a folder would.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from retune.carriers.errors import InputError
from retune.carriers.songfacts import MUSIC_FILES
from retune.pipeline.manifest import MANIFEST
from retune.pipeline.records import Record
from retune.song.songfile import song_text
from retune.song.tomltext import parse_toml
from retune.sound.files import safe_child_path
from retune.sound.stores import Store, fetch, is_there, mirror, send, size_of, stamps_of, store_at


@contextmanager
def working_folder() -> Iterator[Path]:
    """A folder of this machine for as long as it is used, where temporary files go."""
    with tempfile.TemporaryDirectory(prefix="retune-store-", ignore_cleanup_errors=True) as name:
        yield Path(name).resolve()


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
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as stream:
        stream.truncate(size_of(there))


@contextmanager
def sent_back(
    target: str, folder: Path, *, is_wanted: Callable[[str], bool] | None = None
) -> Iterator[None]:
    """A folder that holds what a folder of a store does; what is changed in it meanwhile is sent
    there at the end, manifests last. Nothing is sent where an error ends it."""
    store = store_at(target)
    mirror(store, folder, is_wanted=is_wanted)
    before = stamps_of(folder)
    yield
    send(folder, store, before=before, last=_is_last)


def _is_last(name: str) -> bool:
    return name.rpartition("/")[2] in (MANIFEST, "original.json")


def told(record: Record, places: Mapping[Path, str]) -> Record:
    """A record whose messages name addresses of the store, not the folders that were worked in."""

    def renamed(text: str) -> str:
        for path, address in places.items():
            text = text.replace(str(path), address)
        return text

    record = record.copy()
    if record["error"]:
        record["error"] = renamed(record["error"])
    if "warnings" in record:
        record["warnings"] = [renamed(line) for line in record["warnings"]]
    return record
