"""What lies already where something is to be written: only what retune made itself is replaced.

A folder given with `--out` may be any of the user's, the song's own folder too, and a file in it
may have the name of one that is to be made there.
"""

from __future__ import annotations

import itertools
import os
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from retune.carriers.errors import InputError, UsageError
from retune.comparison.responses import parse_responses
from retune.pipeline.inputs import SongInputs
from retune.pipeline.manifest import MANIFEST, ORIGINAL_RECORD, is_as_sealed, kept_json
from retune.song.csvtext import first_line
from retune.song.songfile import named_after
from retune.song.textfile import read_text
from retune.sound.folders import as_said, held
from retune.sound.made_files import IsOurs, has_mark, not_ours, part_of


def refuse_foreign(home: Path, names: Iterable[str]) -> None:
    """Refuse to write files of these names into the folder of a version where one is there that is
    not a version's. Raises UsageError."""
    for path in _in_the_way(home, names):
        raise UsageError(not_ours(path))


def put_aside(home: Path, names: Iterable[str]) -> list[str]:
    """Give what stands in the way of a version that is made again another name beside it, so that
    nothing is lost. Returns what is to be told of each."""
    said = []
    for path in _in_the_way(home, names):
        with held(path.parent) as folder:
            free = (f"{path.stem}.kept-{n}{path.suffix}" for n in itertools.count(1))
            kept = next(name for name in free if folder.status(name) is None)
            folder.rename(path.name, kept)
        name = path.relative_to(home).as_posix()
        said.append(f"{name} was not as it was made: it is now {kept}, and made again")
    return said


def _in_the_way(home: Path, names: Iterable[str]) -> Iterator[Path]:
    """Those files of these names in the folder of a version that are not a version's: a sound file
    that does not say so itself or was changed since, or a record that reads as none or was
    changed since. What lies beside a file says nothing of it: whoever made the folder may have
    written that."""
    for name in names:
        path = home / name
        if not os.path.isfile(path) or os.path.islink(path):
            continue  # the writer says what is wrong with anything else
        if not _KNOWN.get(name, has_mark)(path):
            yield path


def is_record(path: Path) -> bool:
    """Whether a JSON file is a record of ours as it was written: an object with an address."""
    found = kept_json(path)
    return isinstance(found, dict) and "address" in found and is_as_sealed(found)


def are_records(key: str) -> IsOurs:
    """How a JSON list of our records is known, each of which has `key`: a long one is known by its
    first part."""

    def are_ours(path: Path) -> bool:
        text = part_of(path, 1_000_000).decode("utf-8", "replace")
        first, has_key = text.split("\n },")[0], f'"{key}": '
        return text.strip() == "[]" or (first.startswith("[\n {") and has_key in first)

    return are_ours


def refuse_filled(path: Path) -> None:
    """Refuse to replace a table of answers that somebody has filled in. Raises UsageError."""
    if not os.path.isfile(path):
        return
    try:
        text = read_text(path, what="a table of answers")
        rows = [line for line in text.splitlines()[1:] if line.strip()]
        if not any(_is_answered(text, row) for row in rows):
            return
    except InputError:
        pass
    raise UsageError(
        f"{as_said(path)} holds answers, which are kept: move it, or choose another --out; "
        "nothing of the blind test is written"
    )


def _is_answered(text: str, row: str) -> bool:
    try:
        parse_responses(f"{first_line(text)}{row}\n", name="")
    except InputError:  # as it was made, a row has neither listener nor answer
        return row.split(",")[0].strip() != "" or row.rstrip().split(",")[-1] != ""
    return True


def refuse_other_song(folder: Path, opened: SongInputs) -> None:
    """Refuse to mix the versions of one song with those of another that lie in `folder`: neither
    the title nor any stem is the same. Raises UsageError."""
    stems = {opened.sha256(name) for name in opened.song.stems}
    others = []
    for path in sorted(folder.glob(f"*/{MANIFEST}")):
        facts = manifest_at(path.parent)
        inputs = facts.get("inputs")
        found = inputs.values() if isinstance(inputs, dict) else ()
        hashes = {item.get("sha256") for item in found if isinstance(item, dict)}
        is_titled = opened.song.title != named_after(opened.song.path)
        if (is_titled and facts.get("title") == opened.song.title) or hashes & stems:
            return
        others += [str(facts["title"])] if "title" in facts else []
    if others:
        raise UsageError(
            f'{as_said(folder)} holds versions of another song ("{others[0][:60]}"); '
            "choose another --out, or give the song a title of its own"
        )


def manifest_at(home: Path) -> Mapping[str, Any]:
    """The manifest of a version's folder as it stands there, unchecked; {} where none reads."""
    value = kept_json(home / MANIFEST)
    return value if isinstance(value, dict) and {"retune", "outputs"} <= set(value) else {}


def _is_manifest(path: Path) -> bool:
    facts = manifest_at(path.parent)
    return bool(facts) and is_as_sealed(facts)


_KNOWN: Mapping[str, IsOurs] = {MANIFEST: _is_manifest, ORIGINAL_RECORD: is_record}


def remove_version_files(home: Path, names: Iterable[str]) -> None:
    """Remove files that an earlier rendering left in a version's folder, never through a link."""
    if not home.is_dir():
        return
    with held(home) as place:
        for name in names:
            if has_mark(home / name):
                place.remove(name)
