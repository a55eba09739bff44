"""Degree by ending as a picture: bars of counts, each with its share and interval."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from retune.carriers.text import counted, pretty
from retune.comparison.exports.material import software
from retune.comparison.picture_style import FAMILY, THEMES
from retune.comparison.shares import STATES, DegreeRow
from retune.comparison.svg import Pen

_F = 16.0


@dataclass(frozen=True)
class _Layout:
    """Where a degree's bar and its share stand; lengths in pixels. `drop` is how much lower than
    the bar the share stands, `ticks` are the shares that are marked."""

    width: float
    left: float
    bars: float
    row: float
    shares_left: float
    shares: float
    drop: float
    ticks: tuple[float, ...]


_ROW = 2.2 * _F
_QUARTERS = (0, 0.25, 0.5, 0.75, 1)
_WIDE = _Layout(52.5 * _F, 4 * _F, 300, _ROW, 7 * _F + 300, 220, 0, _QUARTERS)
_NARROW = _Layout(21 * _F, 2.4 * _F, 292, 1.75 * _ROW, 2.4 * _F, 130, 0.75 * _ROW, (0, 0.5, 1))
_KINDS = dict(zip(STATES, ("rest", "partly", "open", "unknown"), strict=True))


def shares_svg(
    groups: Sequence[tuple[str, Sequence[DegreeRow]]],
    *,
    name: str = "study",
    styled: bool = True,
    narrow: bool = False,
) -> str:
    """A panel a group, one below the other: for each degree a bar of its endings (filled at rest,
    hatched partly at rest, outlined open, dotted not known) and a dot at its share of the group's
    endings with the 95 % interval. `name` keeps the marks of two pictures on one page apart; one
    that is not `styled` takes its looks from the page (`shares_css`), one that is `narrow` has the
    shares below the bars, for a phone held upright."""
    lay = _NARROW if narrow else _WIDE
    tops, top = [], (5.0 if narrow else 3.4) * _F
    for _, rows in groups:
        tops.append(top)
        top += len(rows) * lay.row + 5.2 * _F
    most = max((r.share.k for _, rows in groups for r in rows), default=1) or 1
    style = f"<style>{shares_css(name)}</style>" if styled else ""
    kind = "shares narrow" if narrow else "shares"
    pen = Pen()
    pen.raw(
        f'<svg xmlns="http://www.w3.org/2000/svg" class="{kind}" role="img" '
        f'viewBox="0 0 {lay.width:g} {top:g}" width="{lay.width:g}" height="{top:g}" '
        f'aria-labelledby="{name}-t {name}-d"><title id="{name}-t">Phrase endings by degree</title>'
        f'<desc id="{name}-d">{escape(_said(groups))}</desc><metadata>{software()}</metadata>'
        f'<defs><pattern id="{name}-h" width="5" height="5" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><rect class="ground" width="5" height="5"/>'
        f'<rect class="rest" width="2" height="5"/></pattern></defs>{style}'
    )
    pen.rect(0, 0, lay.width, top, "ground")
    _key(pen, lay)
    for (title, rows), at in zip(groups, tops, strict=True):
        _panel(pen, lay, title, rows, at, most)
    pen.raw("</svg>")
    return str(pen)


def _said(groups: Sequence[tuple[str, Sequence[DegreeRow]]]) -> str:
    return " ".join(
        f"{title}: " + "; ".join(f"degree {row.degree}: {row.share}" for row in rows) + "."
        for title, rows in groups
    )


def _key(pen: Pen, lay: _Layout) -> None:
    x, y = _F, 0.9 * _F
    for state in STATES:
        wide = (3.5 + 0.5 * len(state)) * _F
        if x + wide > lay.width:
            x, y = _F, y + 1.6 * _F
        pen.rect(x, y, _F, _F, _KINDS[state])
        pen.text(x + 1.5 * _F, y + 0.9 * _F, state, "s")
        x += wide


def _panel(
    pen: Pen, lay: _Layout, title: str, rows: Sequence[DegreeRow], top: float, most: int
) -> None:
    n, songs = (rows[0].share.n, rows[0].share.songs) if rows else (0, 0)
    words = f"{title}: {counted(n, 'ending')} in {counted(songs, 'song')}"
    pen.text(_F, top + _F, words, "b")
    first = top + 3.6 * _F
    if not lay.drop:
        pen.text(_F, first - 0.6 * _F, "degree", "s")
    for share in lay.ticks:
        x = lay.shares_left + share * lay.shares
        pen.text(x, first - 0.6 * _F, f"{100 * share:g} %", "s", anchor="middle")
    for place, row in enumerate(rows):
        _degree(pen, lay, row, first + place * lay.row, most)


def _degree(pen: Pen, lay: _Layout, row: DegreeRow, top: float, most: int) -> None:
    middle = top + 0.5 * _ROW
    pen.text(lay.left - 0.8 * _F, middle + 0.35 * _F, pretty(row.degree), "b", anchor="end")
    x = lay.left
    for state in STATES:
        width = row.states[state] / most * (lay.bars - 3 * _F)
        if width:
            pen.rect(x, top + 0.25 * _ROW, width, 0.5 * _ROW, _KINDS[state])
            x += width
    pen.text(x + 0.5 * _F, middle + 0.35 * _F, str(row.share.k), "s")
    middle += lay.drop
    _share(pen, lay, row, middle)


def _share(pen: Pen, lay: _Layout, row: DegreeRow, middle: float) -> None:
    for share in lay.ticks:
        x, half = lay.shares_left + share * lay.shares, (0.3 if lay.drop else 0.5) * _ROW
        pen.line(x, middle - half, x, middle + half, "rule")
    low, high = (lay.shares_left + edge * lay.shares for edge in (row.share.low, row.share.high))
    pen.line(low, middle, high, middle, "span")
    for end in (low, high):
        pen.line(end, middle - 0.3 * _F, end, middle + 0.3 * _F, "span")
    x = lay.shares_left + row.share.share * lay.shares
    pen.raw(f'<circle class="rest" cx="{x:.1f}" cy="{middle:.1f}" r="5"/>')
    words = str(row.share).partition(", ")[2]
    pen.text(lay.shares_left + lay.shares + 1.5 * _F, middle + 0.35 * _F, words, "s")


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
