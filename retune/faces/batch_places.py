"""Where a batch reads and writes: folders of this machine, or addresses in a file store, for which
a folder of this machine stands meanwhile."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath

from retune.carriers.errors import UsageError
from retune.carriers.text import own_file_stem
from retune.pipeline.jobs import ENDINGS, PICTURE
from retune.pipeline.stored_songs import fetch_song, naming, working_folder
from retune.sound.folders import named_folder, sole_writer
from retune.sound.remembered import standing_for
from retune.sound.stores import (
    Seen,
    Stamps,
    Store,
    as_path,
    below,
    clear_parts,
    fetch,
    files_of,
    is_address,
    matching,
    mirror,
    send,
    stamps_of,
    store_at,
)

SUMMARIES = (
    *("batch.csv", "batch.json", "index.html", "endings.csv"),
    *("endings.svg", "phrases.csv", "phrases.parquet"),
)
"""What the main process writes into the folder of a batch, a report or a study."""
_SHOWN = (PICTURE, ENDINGS)


@dataclass(frozen=True)
class SongPlace:
    """A song as it was named, and the folder name that its results get."""

    text: str
    name: str

    @property
    def source(self) -> str:
        """Its address in a store, "" for a path of this machine."""
        return self.text if is_address(self.text) else ""

    @property
    def path(self) -> str:
        """What a job names it by."""
        return self.source or os.path.realpath(self.text)

    @contextmanager
    def described(self) -> Iterator[Path]:
        """The song file with what it names, to read what it holds: not to listen to."""
        if not self.source:
            yield Path(self.text)
            return
        home = self.source.rpartition("/")[0]
        with working_folder() as folder, naming({folder: home}):
            yield fetch_song(self.source, folder, with_stems=False)


def song_places(songs: Sequence[str]) -> Iterator[SongPlace]:
    """Each song with a folder name of its own, the same on every run."""
    taken: set[str] = set()
    for text in dict.fromkeys(one for song in songs for one in _expanded(song)):
        stem, number = own_file_stem(_plain(text)), 1
        name = stem
        while name.casefold() in taken:
            number += 1
            name = f"{stem}-{number}"
        taken.add(name.casefold())
        yield SongPlace(text, name)


def _expanded(song: str) -> Sequence[str]:
    return [as_path(one) for one in matching(song)] if is_address(song) else [song]


def _plain(text: str) -> str:
    path = PurePosixPath(text) if is_address(text) else Path(os.path.realpath(text))
    named = PurePosixPath(text) if is_address(text) else Path(text)
    return path.parent.name if named.name == "song.toml" else named.stem


@dataclass
class Places:
    """The folders that are written to; `stores` are those that they stand for."""

    out: Path | None
    report: Path | None
    target: str = ""
    """Address for which `out` stands, "" for none."""
    stores: tuple[tuple[Path, Store], ...] = ()
    seen: Mapping[Path, Mapping[str, Seen]] = field(default_factory=dict)
    """What each store held at the beginning."""
    _before: dict[Path, Stamps] = field(default_factory=dict)

    def sole_writer(self) -> AbstractContextManager[None]:
        """Hold the folder of the batch for this run; a store has nothing to hold it by."""
        held = self.out or self.report
        return nullcontext() if self.stores or held is None else sole_writer(held)

    def ready(self) -> None:
        """Fetch what a report shows of the renditions; after this only summaries are written."""
        for folder, store in self.stores:
            if self.report is not None and folder == self.out:
                mirror(store, folder, is_wanted=_is_shown)
            self._before[folder] = stamps_of(folder)

    def clear(self, name: str) -> None:
        """Remove what killed workers left of a song in the store."""
        if self.target:
            clear_parts(store_at(below(self.target, name)))

    def send(self) -> None:
        """Send what was written since `ready`."""
        for folder, store in self.stores:
            before, seen = self._before.get(folder, {}), self.seen[folder]
            send(folder, store, before=before, seen=seen, last=lambda _: False, depth=1)


def _is_shown(name: str) -> bool:
    return name.rpartition("/")[2] in (*_SHOWN, *SUMMARIES)


@contextmanager
def places_of(out: str | None, report: str | None) -> Iterator[Places]:
    """The folders of a batch; what was written for a store is sent there at the end."""
    out, report = (as_path(place) if place else place for place in (out, report))
    if not any(is_address(place) for place in (out or "", report or "")):
        yield Places(named_folder(out) if out else None, Path(report) if report else None)
        return
    if out and report and is_address(out) != is_address(report):
        raise UsageError(
            f"--out {out} and --report {report}: the page of a report plays what lies beside it; "
            "give both as folders, or both as addresses of one store"
        )
    with working_folder() as folder, ExitStack() as noted:
        found = {text: store_at(text) for text in (out, report) if text}
        local = {text: folder / store.path.lstrip("/") for text, store in found.items()}
        seen = {local[text]: files_of(store, depth=1) for text, store in found.items()}
        for text, store in found.items():
            noted.enter_context(standing_for(local[text], text))
            local[text].mkdir(parents=True, exist_ok=True)
            for name in SUMMARIES:
                if name in seen[local[text]]:
                    fetch(store.at(name), local[text] / name)
        stores = tuple((local[text], store) for text, store in found.items())
        places = Places(
            local[out] if out else None, local[report] if report else None, out or "", stores, seen
        )
        with naming({here: store.address for here, store in stores}):
            yield places
        places.send()


def joined(place: str, name: str) -> str:
    """A file of a folder or of a store, in words."""
    return below(place, name) if is_address(place) else str(Path(place) / name)
