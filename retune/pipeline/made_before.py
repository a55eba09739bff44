"""What lies already where something is to be written: only what retune made itself is replaced.

A folder given with `--out` may be any of the user's, the song's own folder too, and a file in it
may have the name of one that is to be made there.
"""

from __future__ import annotations

import itertools
import os
import re
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from retune.carriers.errors import InputError, UsageError
from retune.comparison.responses import parse_responses
from retune.pipeline.inputs import SongInputs
from retune.pipeline.manifest import MANIFEST, kept_json
from retune.song.csvtext import first_line
from retune.song.songfile import named_after
from retune.song.textfile import read_text
from retune.sound.audiowrite import is_as_written
from retune.sound.files import atomic_write
from retune.sound.folders import as_said, held
from retune.sound.remembered import known, remember

_HEAD_BYTES, _TAIL_BYTES = 4_000_000, 1_000_000
# The program that wrote it, as all files but sound say it in their first or last part: where their
# kind says it, since anybody may write of retune.
_MARK = re.compile(
    rb"(?:<dc:creator>|<software>|<metadata>|<!-- |\A# "  # SVG and PPTX, MusicXML, plots, LAB
    rb'|<meta name="generator" content="|"annotation_tools": "|"made": "'  # HTML, JAMS, keys
    rb"|/Author\(|Software\0{5}|software\x18.|\xff\x01.{1,3}"  # PDF, PNG, Parquet, MIDI
    rb"|data\0{3}\x01\0{4})retune \d",  # MP4
    re.DOTALL,
)
_KEPT = "so it is left as it is: move it, or choose another --out"


def refuse_foreign(home: Path, names: Iterable[str]) -> None:
    """Refuse to write files of these names into the folder of a version where one is there that is
    not a version's. Raises UsageError."""
    for path in _in_the_way(home, names):
        raise UsageError(_not_ours(path))


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
    that does not say so itself or was changed since, or a manifest that reads as none. What lies
    beside a file says nothing of it: whoever made the folder may have written that."""
    for name in names:
        path = home / name
        if not os.path.isfile(path) or os.path.islink(path):
            continue  # the writer says what is wrong with anything else
        is_ours = bool(manifest_at(home)) if name == MANIFEST else _has_mark(path)
        if not is_ours:
            yield path


def _not_ours(path: Path) -> str:
    since = ", or was changed since" if path.suffix == ".wav" else ""
    return f"{as_said(path)} is there and was not made by retune{since}, {_KEPT}"


def refuse_other_file(path: Path, *, head: str = "", song: Path | None = None) -> None:
    """Refuse to replace a file that is somebody's own: one that does not say that retune wrote it
    (of a kind that has no place for such words, does not begin with `head`), or that was changed
    since this user's retune wrote it; or one that was made of another song file than `song`, by
    whose title the name was chosen. Raises UsageError."""
    if not os.path.isfile(path) or os.path.islink(path):
        return
    if head:
        is_ours = _part(path, 65_536).decode("utf-8-sig", "replace").startswith(head)
    else:
        is_ours = _has_mark(path)
    if not is_ours:
        raise UsageError(_not_ours(path))
    here = known(path)
    if here.is_edited:
        raise UsageError(f"{as_said(path)} was changed since retune made it, {_KEPT}")
    if song and here.song and here.song.is_file() and not here.song.samefile(song):
        raise UsageError(
            f"{as_said(path)} was made of another song with the same name for its files "
            f"({as_said(here.song)}), so it is left as it is: choose another --out, or give one of "
            "them a title of its own"
        )


@contextmanager
def made_file(
    path: Path, mode: str = "wb", *, head: str = "", song: Path | None = None
) -> Iterator[IO[Any]]:
    """A file to be written as `atomic_write` does, over nothing but what retune made there (see
    `refuse_other_file`) and nobody has changed since; it is remembered as it is left."""
    refuse_other_file(path, head=head, song=song)

    def settle(handle: int) -> None:
        refuse_other_file(path, head=head, song=song)  # making it may have taken minutes
        remember(path, song=song, handle=handle)

    with atomic_write(path, mode, at_last=settle) as stream:
        yield stream


def refuse_other_record(path: Path) -> None:
    """Refuse to replace a JSON file that is none of our records: not an object with an address.
    Raises UsageError."""
    if not os.path.isfile(path) or os.path.islink(path):
        return
    found = kept_json(path)
    if not (isinstance(found, dict) and "address" in found):
        raise UsageError(_not_ours(path))


def refuse_other_records(path: Path, *, key: str) -> None:
    """Refuse to replace a JSON file that is not a list of our records, each of which has `key`: a
    long one is known by its first part. Raises UsageError."""
    if not os.path.isfile(path) or os.path.islink(path):
        return
    text = _part(path, 1_000_000).decode("utf-8", "replace")
    first, has_key = text.split("\n },")[0], f'"{key}": '
    if text.strip() != "[]" and not (first.startswith("[\n {") and has_key in first):
        raise UsageError(_not_ours(path))


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


def remove_version_files(home: Path, names: Iterable[str]) -> None:
    """Remove files that an earlier rendering left in a version's folder, never through a link."""
    if not home.is_dir():
        return
    with held(home) as place:
        for name in names:
            if _has_mark(home / name):
                place.remove(name)


def _has_mark(path: Path) -> bool:
    """Whether a file says that retune wrote it."""
    if path.suffix == ".wav":
        return is_as_written(path)
    parts = (_part(path, size) for size in (_HEAD_BYTES, -_TAIL_BYTES))
    return any(_MARK.search(part) for part in parts)


def _part(path: Path, n_bytes: int) -> bytes:
    """The first bytes of a file, or (with a number below 0) the last."""
    try:
        with open(path, "rb") as stream:
            if n_bytes < 0:
                stream.seek(max(os.fstat(stream.fileno()).st_size + n_bytes, 0))
            return stream.read(abs(n_bytes))
    except OSError:
        return b""
