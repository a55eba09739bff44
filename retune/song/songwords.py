"""Words and sections as they stand in a song file."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from retune.carriers.errors import InputError
from retune.song.limits import MAX_SECTIONS
from retune.song.lyrics import LYRICS_SUFFIXES, read_lyrics, read_lyrics_file
from retune.song.songvalues import (
    Where,
    in_order_of_bars,
    is_file,
    is_line,
    is_list,
    is_placed,
    is_text,
    shown,
)

_SECTION = re.compile(r"[^\W_][\w '’.-]{0,39}")


def is_lyrics(value: Any, where: Where) -> str:
    """Words that read as plain text or LRC."""
    text = is_text(value, where)
    try:
        read_lyrics(text)
    except InputError as error:
        where.fail(str(error))
    return text


def is_lyrics_file(value: Any, where: Where) -> Path:
    """The path of a file of words, which must be there and read."""
    path = is_file(value, where)
    if path.suffix.lower() not in LYRICS_SUFFIXES:
        where.fail(f"{shown(value)} must be a {', '.join(LYRICS_SUFFIXES)} file")
    try:
        read_lyrics_file(path)
    except InputError as error:
        where.fail(str(error))
    return path


def is_section_name(value: Any, where: Where) -> str:
    """A name of letters, digits and spaces, such as "chorus"."""
    text = " ".join(is_line(value, where).split())
    if not _SECTION.fullmatch(text):
        where.fail(
            f'{shown(value)} cannot name a section; use letters, digits and spaces, as "chorus" '
            "(at most 40)"
        )
    return text


is_section_list = in_order_of_bars(
    is_list(
        is_placed(is_section_name, what="name", example="chorus"),
        of="sections",
        at_most=MAX_SECTIONS,
    ),
    what="section",
)
