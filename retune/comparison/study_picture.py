"""Degree by ending as a picture: bars of counts, each with its share and interval."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from retune.carriers.text import counted, pretty
from retune.comparison.exports.material import software
from retune.comparison.picture_style import FAMILY, THEMES
from retune.comparison.shares import STATES, DegreeRow
from retune.comparison.svg import Pen

_F = 16.0
_ROW = 2.2 * _F
_LEFT, _BARS, _GAP, _SHARES = 4 * _F, 300.0, 3 * _F, 220.0
_WIDTH = _LEFT + _BARS + _GAP + _SHARES + 13 * _F
_KINDS = dict(zip(STATES, ("rest", "partly", "open", "unknown"), strict=True))


def shares_svg(
    groups: Sequence[tuple[str, Sequence[DegreeRow]]], *, name: str = "study", styled: bool = True
) -> str:
    """A panel a group, one below the other: for each degree a bar of its endings (filled at rest,
    hatched partly at rest, outlined open, dotted not known) and a dot at its share of the group's
    endings with the 95 % interval. `name` keeps the marks of two pictures on one page apart; one
    that is not `styled` takes its looks from the page (`shares_css`)."""
    tops, top = [], 3.4 * _F
    for _, rows in groups:
        tops.append(top)
        top += len(rows) * _ROW + 5.2 * _F
    most = max((r.share.k for _, rows in groups for r in rows), default=1) or 1
    style = f"<style>{shares_css(name)}</style>" if styled else ""
    pen = Pen()
    pen.raw(
        f'<svg xmlns="http://www.w3.org/2000/svg" class="shares" role="img" '
        f'viewBox="0 0 {_WIDTH:g} {top:g}" width="{_WIDTH:g}" height="{top:g}" '
        f'aria-labelledby="{name}-t {name}-d"><title id="{name}-t">Phrase endings by degree</title>'
        f'<desc id="{name}-d">{escape(_said(groups))}</desc><metadata>{software()}</metadata>'
        f'<defs><pattern id="{name}-h" width="5" height="5" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><rect class="ground" width="5" height="5"/>'
        f'<rect class="rest" width="2" height="5"/></pattern></defs>{style}'
    )
    pen.rect(0, 0, _WIDTH, top, "ground")
    _key(pen)
    for (title, rows), at in zip(groups, tops, strict=True):
        _panel(pen, title, rows, at, most)
    pen.raw("</svg>")
    return str(pen)


def _said(groups: Sequence[tuple[str, Sequence[DegreeRow]]]) -> str:
    return " ".join(
        f"{title}: " + "; ".join(f"degree {row.degree}: {row.share}" for row in rows) + "."
        for title, rows in groups
    )


def _key(pen: Pen) -> None:
    x = _F
    for state in STATES:
        pen.rect(x, 0.9 * _F, _F, _F, _KINDS[state])
        pen.text(x + 1.5 * _F, 1.8 * _F, state, "s")
        x += (3.5 + 0.5 * len(state)) * _F


def _panel(pen: Pen, title: str, rows: Sequence[DegreeRow], top: float, most: int) -> None:
    n, songs = (rows[0].share.n, rows[0].share.songs) if rows else (0, 0)
    words = f"{title}: {counted(n, 'ending')} in {counted(songs, 'song')}"
    pen.text(_F, top + _F, words, "b")
    first, left = top + 3.6 * _F, _LEFT + _BARS + _GAP
    pen.text(_F, first - 0.6 * _F, "degree", "s")
    bottom = first + (len(rows) - 0.3) * _ROW
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        x = left + share * _SHARES
        pen.line(x, first - 0.3 * _F, x, bottom, "rule")
        pen.text(x, first - 0.6 * _F, f"{100 * share:g} %", "s", anchor="middle")
    for place, row in enumerate(rows):
        _degree(pen, row, first + place * _ROW, left, most)


def _degree(pen: Pen, row: DegreeRow, top: float, left: float, most: int) -> None:
    middle = top + 0.5 * _ROW
    pen.text(_LEFT - _F, middle + 0.35 * _F, pretty(row.degree), "b", anchor="end")
    x = _LEFT
    for state in STATES:
        width = row.states[state] / most * (_BARS - 3 * _F)
        if width:
            pen.rect(x, top + 0.25 * _ROW, width, 0.5 * _ROW, _KINDS[state])
            x += width
    pen.text(x + 0.5 * _F, middle + 0.35 * _F, str(row.share.k), "s")
    low, high = (left + edge * _SHARES for edge in (row.share.low, row.share.high))
    pen.line(low, middle, high, middle, "span")
    for end in (low, high):
        pen.line(end, middle - 0.3 * _F, end, middle + 0.3 * _F, "span")
    x = left + row.share.share * _SHARES
    pen.raw(f'<circle class="rest" cx="{x:.1f}" cy="{middle:.1f}" r="5"/>')
    words = str(row.share).partition(", ")[2]
    pen.text(left + _SHARES + 1.5 * _F, middle + 0.35 * _F, words, "s")


def shares_css(name: str, *, of_page: bool = False) -> str:
    """The looks of pictures whose hatching is defined in the one called `name`; in the inks of the
    page around them, light or dark, or in light ones of their own."""
    ink = {key: f"var(--{key})" for key in ("paper", "ink", "ink2", "rule")}
    if not of_page:
        ink = {key: THEMES["light"][key] for key in ink}
    return (
        f".shares{{font-family:{FAMILY}}}.shares text{{fill:{ink['ink']};font-size:{_F:g}px}}"
        f".shares .s{{font-size:{0.84 * _F:.1f}px;fill:{ink['ink2']}}}.shares .b{{font-weight:700}}"
        f".shares .ground{{fill:{ink['paper']}}}.shares .rule{{stroke:{ink['rule']}}}"
        f".shares .rest{{fill:{ink['ink']};stroke:{ink['ink']}}}"
        f".shares .partly{{fill:url(#{name}-h);stroke:{ink['ink']}}}"
        f".shares .open{{fill:{ink['paper']};stroke:{ink['ink']}}}"
        f".shares .unknown{{fill:none;stroke:{ink['rule']};stroke-dasharray:2 3}}"
        f".shares .span{{stroke:{ink['ink']};stroke-width:2}}"
    )
