"""An index of many renditions: one page that searches, plays and links, however many there are.

The page holds no sound: it plays the mixes that lie beside it, one at a time. The first `AT_ONCE`
rows are there at once; the others lie in it as text, which its script lays out when they are asked
for, since ten thousand rows laid out make a browser wait for seconds.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import islice

from markupsafe import Markup

from retune import __version__
from retune.comparison.html import asset, content_policy, filled, template
from retune.comparison.picture_style import font_faces

AT_ONCE = 50
"""So many rows are laid out before somebody asks for more; the script's own number is this one."""


@dataclass(frozen=True)
class IndexRow:
    """One rendition: links are relative to the page, "" where there is nothing to link to.

    `endings` are (phrase, degree before, degree after or "" where it stayed, how it ended, how it
    ends then or "" where that is as sung or unknown) as words.
    """

    song: str
    variant: str
    state: str
    original_href: str = ""
    mix_href: str = ""
    picture_href: str = ""
    endings: tuple[tuple[int, str, str, str, str], ...] = ()
    warnings: tuple[str, ...] = ()
    error: str = ""


def index_page(rows: Iterable[IndexRow], *, title: str, told: str) -> Iterator[str]:
    """The page in pieces of text, so that it is never held whole; the same rows give the same page.
    `told` says how many there are."""
    style, script = font_faces() + asset("inks.css") + asset("index.css"), asset("index.js")
    lines = map(_row, rows)
    return template("index.html").generate(
        policy=content_policy(style=style, script=script, media="'self' file:"),
        version=__version__,
        title=title,
        style=style,
        told=told,
        shown=islice(lines, AT_ONCE),
        others=map(_as_data, lines),
        script=script,
    )


def _as_data(line: str) -> str:
    """A row as an item of the list that the script reads; nothing in it ends that list."""
    return json.dumps(line, ensure_ascii=False).replace("</", "<\\/").replace("<!", "<\\u0021")


def _row(row: IndexRow) -> Markup:
    """A rendition: its sounds, the endings that change, as sung and as the variant has them, and
    how many do not."""
    changed = [one for one in row.endings if one[2] or one[4]]
    hear = ((row.original_href, "original"), (row.mix_href, row.variant))
    return filled(
        "index_row.html",
        row=row,
        hear=[(href, words) for href, words in hear if href],
        changed=changed,
        n_kept=len(row.endings) - len(changed),
    )
