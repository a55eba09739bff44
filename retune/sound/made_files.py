"""Files made at a path of the user's: only what retune made itself is replaced, and only as it was
made.

A folder given with `--out` may be any of the user's, the song's own folder too, and a file in it
may have the name of one that is to be made there.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from retune.carriers.errors import UsageError
from retune.sound.audiowrite import is_as_written
from retune.sound.files import atomic_write
from retune.sound.folders import as_said
from retune.sound.remembered import known, remember

_HEAD_BYTES, _TAIL_BYTES = 4_000_000, 1_000_000
# The program that wrote it, as all files but sound say it in their first or last part: where their
# kind says it, since anybody may write of retune.
_MARK = re.compile(
    rb"(?:<dc:creator>|<software>|<metadata>|<!-- |\A# "  # SVG and PPTX, MusicXML, plots, LAB
    rb'|<meta name="generator" content="|"annotation_tools": "|"made": "'  # HTML, JAMS, keys
    rb"|/Author\(|Software\0{5}|software\x18.|\xff\x01.{1,3}"  # PDF, PNG, Parquet, MIDI
    rb"|data\0{3}\x01\0{4}|software=)retune \d"  # MP4, FLAC
    rb"|\AOggS\0\x02\0{8}\x01\0{3}",  # Opus, by the serial number that no other program gives
    re.DOTALL,
)
_KEPT = "so it is left as it is: move it, or choose another --out"


IsOurs = Callable[[Path], bool]


def begins_with(head: str) -> IsOurs:
    """How a table is known as ours, which has no place for the name of a program."""
    return lambda path: part_of(path, 65_536).decode("utf-8-sig", "replace").startswith(head)


def refuse_other_file(
    path: Path, *, head: str = "", song: Path | None = None, is_ours: IsOurs | None = None
) -> None:
    """Refuse to replace a file that is somebody's own: one that does not say that retune wrote it
    (of a kind that has no place for such words, does not begin with `head`, or is not known by
    `is_ours`), or that was changed since this user's retune wrote it; or one that was made of
    another song file than `song`, by whose title the name was chosen. Raises UsageError."""
    if not os.path.isfile(path) or os.path.islink(path):
        return
    refuse_unknown(path, is_ours or (begins_with(head) if head else has_mark))
    here = known(path)
    if here.is_edited:
        raise UsageError(f"{as_said(path)} was changed since retune made it, {_KEPT}")
    if song and here.song and here.song.is_file() and not here.song.samefile(song):
        raise UsageError(
            f"{as_said(path)} was made of another song with the same name for its files "
            f"({as_said(here.song)}), so it is left as it is: choose another --out, or give one of "
            "them a title of its own"
        )


def refuse_unknown(path: Path, is_ours: IsOurs) -> None:
    """Refuse to replace a file that is not known as ours. Raises UsageError."""
    if os.path.isfile(path) and not os.path.islink(path) and not is_ours(path):
        raise UsageError(not_ours(path))


@contextmanager
def made_file(
    path: Path,
    mode: str = "wb",
    *,
    head: str = "",
    song: Path | None = None,
    is_ours: IsOurs | None = None,
) -> Iterator[IO[Any]]:
    """A file to be written as `atomic_write` does, over nothing but what retune made there (see
    `refuse_other_file`) and nobody has changed since; it is remembered as it is left."""
    known_by: Any = {"head": head, "song": song, "is_ours": is_ours}
    refuse_other_file(path, **known_by)

    def settle(handle: int) -> None:
        refuse_other_file(path, **known_by)  # making it may have taken minutes
        remember(path, song=song, handle=handle)

    with atomic_write(path, mode, at_last=settle) as stream:
        yield stream


def not_ours(path: Path) -> str:
    """Why a file that retune did not make is not replaced."""
    since = ", or was changed since" if path.suffix.lower() == ".wav" else ""
    return f"{as_said(path)} is there and was not made by retune{since}, {_KEPT}"


def has_mark(path: Path) -> bool:
    """Whether a file says that retune wrote it."""
    if path.suffix.lower() == ".wav":
        return is_as_written(path)
    parts = (part_of(path, size) for size in (_HEAD_BYTES, -_TAIL_BYTES))
    return any(_MARK.search(part) for part in parts)


def part_of(path: Path, n_bytes: int) -> bytes:
    """The first bytes of a file, or (with a number below 0) the last."""
    try:
        with open(path, "rb") as stream:
            if n_bytes < 0:
                stream.seek(max(os.fstat(stream.fileno()).st_size + n_bytes, 0))
            return stream.read(abs(n_bytes))
    except OSError:
        return b""
