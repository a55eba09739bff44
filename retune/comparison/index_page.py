"""An index of many renditions: one page that searches, plays and links, however many there are.

The page holds no sound: it plays the mixes that lie beside it, one at a time. The first `AT_ONCE`
rows are there at once; the others lie in it as text, which its script lays out when they are asked
for, since ten thousand rows laid out make a browser wait for seconds.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from html import escape
from itertools import islice

from retune import __version__
from retune.carriers.text import pretty
from retune.comparison.html import asset, content_policy
from retune.comparison.page_tables import STATES, sign
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
    policy = content_policy(style=style, script=script, media="'self' file:")
    lines = map(_row, rows)
    yield f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width,initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="{policy}">
<meta name="referrer" content="no-referrer">
<meta name="generator" content="retune {__version__}">
<title>{escape(title)}</title>
<link rel="icon" href="data:,">
<style>{style}</style>
</head>
<body>
<main>
<h1>{escape(title)}</h1>
<p>{escape(told)} Every version but the originals is altered with retune.
Press “original”, then the variant beside it; beside them stands how the phrases end in both.
Begin with the volume low, then raise it.</p>
<div class="tools">
<label>Search <input id="search" type="search" placeholder="song, variant, degree"></label>
<span id="shown" role="status"></span>
<audio id="player" controls preload="none"></audio>
<span id="playing" class="small"></span>
</div>
<div class="scroll" tabindex="0" role="region" aria-label="Renditions">
<table class="cards">
<thead><tr><th>Song</th><th>Variant</th><th>Hear</th>
<th>Endings, before and after</th><th>Notes</th>
</tr></thead>
<tbody>
"""
    yield from (f"{line}\n" for line in islice(lines, AT_ONCE))
    yield """</tbody>
</table>
</div>
<p><button id="more" type="button" hidden>Show more</button></p>
</main>
<script type="application/json" id="others">[
"""
    yield from (_as_data(line, first=k == 0) for k, line in enumerate(lines))
    yield f"""]</script>
<script>{script}</script>
</body>
</html>
"""


def _as_data(line: str, *, first: bool) -> str:
    """A row as one line of the list that the script reads; nothing in it ends that list."""
    text = json.dumps(line, ensure_ascii=False).replace("</", "<\\/").replace("<!", "<\\u0021")
    return f"{text}\n" if first else f",{text}\n"


def _row(row: IndexRow) -> str:
    title = f"{row.song}, {row.variant}"
    hear = "".join(
        f'<button type="button" data-sound="{escape(href, quote=True)}" '
        f'data-title="{escape(f"{row.song}, {words}", quote=True)}">{escape(words)}</button> '
        for href, words in ((row.original_href, "original"), (row.mix_href, row.variant))
        if href
    )
    picture = (
        f' <a href="{escape(row.picture_href, quote=True)}">picture'
        f"<span hidden> of {escape(title)}</span></a>"
        if row.picture_href
        else ""
    )
    notes = "".join(f"<div>{escape(pretty(line))}</div>" for line in row.warnings)
    if row.error:
        notes = f'<div class="fault">Failed: {escape(row.error)}</div>' + notes
    return (
        f"<tr><td>{escape(row.song)}</td><td>{escape(row.variant)}</td><td>{hear}{picture}</td>"
        f"<td>{_endings(row)}</td><td class='small'>{notes}</td></tr>"
    )


def _endings(row: IndexRow) -> str:
    """The endings that change, as sung and as the variant has them, and how many do not."""
    changed = [one for one in row.endings if one[2] or one[4]]
    told = [
        f"phrase {phrase}: {_ending(before, was)} → <b>{_ending(after or before, now)}</b>"
        for phrase, before, after, was, now in changed
    ]
    kept = len(row.endings) - len(changed)
    told += [f'<span class="small">{kept} as sung</span>'] if kept else []
    return "<br>".join(told)


def _ending(degree: str, state: str) -> str:
    """ "2 ○ open", the sign drawn."""
    mark = f" {sign(state)}" if state in STATES else " "
    return f"{escape(pretty(degree))}{mark}{escape(state)}".rstrip()
