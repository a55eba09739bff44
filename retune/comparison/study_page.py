"""A corpus on one page: pictures of how phrases end, and the table they were counted from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from retune import __version__
from retune.carriers.text import counted
from retune.comparison.displayed import Picture
from retune.comparison.html import asset, content_policy, show
from retune.comparison.phrase_table import columns_of
from retune.comparison.picture_style import font_faces
from retune.comparison.shares import DegreeRow, degree_rows, scale_order, share_of
from retune.comparison.study_picture import shares_css, shares_svg

Rows = Sequence[Mapping[str, Any]]
POSITIONS = ("first", "inner", "last")
_MARKS = "shares"
MOST_ROWS = 2_000
"""A page shows so many phrases; the files hold all."""


def by_position(rows: Rows, variant: str = "") -> list[tuple[str, list[DegreeRow]]]:
    """Endings by degree: of every phrase, then of each position in the form that occurs."""
    groups = [("all phrases", list(rows))]
    groups += [
        (f"{place} phrases", found)
        for place in POSITIONS
        if (found := [row for row in rows if row["position"] == place])
    ]
    return [(title, degree_rows(found, variant=variant)) for title, found in groups]


def endings_picture(rows: Rows, *, name: str = "endings") -> Picture:
    """Endings by degree, of all phrases and of each position, with 95 % intervals.

    Parameters
    ----------
    rows : sequence of mappings
        A phrase each: "song", "position" ("first", "inner" or "last"), "degree" and "ending" ("at
        rest", "partly at rest", "open" or None), as the table of `retune batch --report` has them.
    name : str
        Keeps the marks of two pictures in one notebook apart; letters.
    """
    return Picture(shares_svg(by_position(rows), name=name), "phrase endings by degree")


def study_page(
    rows: Rows, variants: Sequence[str], *, title: str, failed: Mapping[str, str] | None = None
) -> str:
    """The page as text; `failed` maps a song that could not be studied to why."""
    style = (
        font_faces()
        + asset("inks.css")
        + asset("index.css")
        + shares_css(f"{_MARKS}0", of_page=True)
        + "svg{max-width:100%;height:auto}"
        + f".narrow .partly{{fill:url(#{_MARKS}0n-h)}}.shares.narrow{{display:none}}"
        + "@media (max-width:46rem){.shares{display:none}.shares.narrow{display:block}}"
    )
    songs = len({row["song"] for row in rows})
    said = f"{counted(len(rows), 'phrase')} in {counted(songs, 'song')}"
    parts = [_faults(failed or {}), _pictures(rows, variants), _by_song(rows)]
    parts.append(_table(rows, columns_of(variants)))
    policy = content_policy(style=style)
    return f"""<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width,initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="{policy}">
<meta name="generator" content="retune {__version__}">
<title>{escape(title)}</title>
<link rel="icon" href="data:,">
<style>{style}</style>
</head>
<body>
<main>
<h1>{escape(title)}</h1>
<p>{said}, each counted once. Intervals are 95 %, exact, and allow for
the likeness of phrases of one song (Korn and Graubard 1998).</p>
{"".join(parts)}
</main>
</body>
</html>
"""


def _faults(failed: Mapping[str, str]) -> str:
    lines = (f"<li>{escape(song)}: {show(why)}</li>" for song, why in failed.items())
    return f'<ul class="fault">{"".join(lines)}</ul>' if failed else ""


def _pictures(rows: Rows, variants: Sequence[str]) -> str:
    found = []
    for place, name in enumerate(("", *variants)):
        heading = f"Variant {name}" if name else "As sung"
        groups = by_position(_of_variant(rows, name), name)
        wide = shares_svg(groups, name=f"{_MARKS}{place}", styled=False)
        narrow = shares_svg(groups, name=f"{_MARKS}{place}n", styled=False, narrow=True)
        found.append(f"<h2>{escape(heading)}</h2>\n{wide}{narrow}\n")
    return "".join(found)


def _of_variant(rows: Rows, variant: str) -> Rows:
    """The phrases of the songs that have a variant."""
    return [row for row in rows if f"{variant}.degree" in row] if variant else rows


def _by_song(rows: Rows) -> str:
    """A line a song: on which degrees its phrases end, and how many are at rest."""
    songs: dict[str, list[Mapping[str, Any]]] = {}
    for row in rows:
        songs.setdefault(row["song"], []).append(row)
    degrees = sorted({row["degree"] or "?" for row in rows}, key=scale_order)
    lines = []
    for song, own in songs.items():
        ends = [row["degree"] or "?" for row in own]
        counts = "".join(f"<td>{ends.count(degree) or ''}</td>" for degree in degrees)
        rest = share_of([(sum(row["ending"] == "at rest" for row in own), len(own))])
        lines.append(f"<tr><td>{escape(song)}</td>{counts}<td>{rest}</td></tr>")
    heads = "".join(f"<th>{show(degree)}</th>" for degree in degrees)
    return _listed(
        "Endings by song", f"<tr><th>Song</th>{heads}<th>At rest</th></tr>", "".join(lines)
    )


def _table(rows: Rows, columns: Sequence[str]) -> str:
    body = "".join(
        "<tr>" + "".join(f"<td>{_cell(row.get(name))}</td>" for name in columns) + "</tr>"
        for row in rows[:MOST_ROWS]
    )
    heads = "".join(f"<th>{escape(name)}</th>" for name in columns)
    cut = f" (the first {MOST_ROWS} of {len(rows)})" if len(rows) > MOST_ROWS else ""
    return _listed(f"Every phrase{cut}", f"<tr>{heads}</tr>", body)


def _cell(value: Any) -> str:
    return "" if value is None else show(value)


def _listed(title: str, head: str, body: str) -> str:
    return _scrolled(title, f"<table><thead>{head}</thead><tbody>{body}</tbody></table>")


def _scrolled(title: str, content: str) -> str:
    """What may be wider than a phone, under its heading."""
    return (
        f'<h2>{escape(title)}</h2>\n<div class="scroll" tabindex="0" role="region" '
        f'aria-label="{escape(title, quote=True)}">{content}</div>\n'
    )
