"""A corpus on one page: pictures of how phrases end, and the table they were counted from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from retune import __version__
from retune.carriers.text import counted
from retune.comparison.displayed import Picture
from retune.comparison.html import asset, content_policy, filled
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
    degrees = sorted({row["degree"] or "?" for row in rows}, key=scale_order)
    songs = list(_by_song(rows, degrees))
    cut = f" (the first {MOST_ROWS} of {len(rows)})" if len(rows) > MOST_ROWS else ""
    made = filled(
        "study.html",
        policy=content_policy(style=style),
        version=__version__,
        title=title,
        style=style,
        said=f"{counted(len(rows), 'phrase')} in {counted(len(songs), 'song')}",
        failed=failed or {},
        pictures=list(_pictures(rows, variants)),
        degrees=degrees,
        songs=songs,
        all_phrases=f"Every phrase{cut}",
        columns=columns_of(variants),
        rows=rows[:MOST_ROWS],
    )
    return str(made)


def _pictures(rows: Rows, variants: Sequence[str]) -> Iterator[dict[str, str]]:
    for place, name in enumerate(("", *variants)):
        groups = by_position(_of_variant(rows, name), name)
        ident = f"{_MARKS}{place}"
        yield {
            "heading": f"Variant {name}" if name else "As sung",
            "wide": shares_svg(groups, name=ident, styled=False),
            "narrow": shares_svg(groups, name=f"{ident}n", styled=False, narrow=True),
        }


def _of_variant(rows: Rows, variant: str) -> Rows:
    """The phrases of the songs that have a variant."""
    return [row for row in rows if f"{variant}.degree" in row] if variant else rows


def _by_song(rows: Rows, degrees: Sequence[str]) -> Iterator[dict[str, object]]:
    """Of each song on which degrees its phrases end, and how many are at rest."""
    songs: dict[str, list[Mapping[str, Any]]] = {}
    for row in rows:
        songs.setdefault(row["song"], []).append(row)
    for song, own in songs.items():
        ends = [row["degree"] or "?" for row in own]
        yield {
            "name": song,
            "counts": [ends.count(degree) for degree in degrees],
            "at_rest": share_of([(sum(row["ending"] == "at rest" for row in own), len(own))]),
        }
