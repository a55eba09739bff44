"""The counts of a blind test as a picture: shares and exact intervals around one half."""

from __future__ import annotations

from retune.carriers.errors import UsageError
from retune.comparison.exports.material import software
from retune.comparison.picture_style import THEMES, font_faces, text_width
from retune.comparison.statistics import Score
from retune.comparison.svg import Pen
from retune.comparison.tally import PairTally, Tally

_F = 18.0
_WIDTH = 900.0
_ROW = 2.0 * _F
_RIGHT = 9.0 * _F


def tally_svg(tally: Tally) -> str:
    """A row a listener and one for all together: a dot at the share, a line over the exact 95 %
    interval (Clopper and Pearson), a rule at one half.

    Raises
    ------
    UsageError
        No pairs were answered, so there is nothing to draw.
    """
    if not tally.pairs:
        raise UsageError("there are no answers to pairs to draw: leave --plot out")
    pen = Pen()
    heights = [_height(pair) for pair in tally.pairs]
    height = sum(heights) + 3.2 * _F
    pen.raw(
        f'<svg xmlns="http://www.w3.org/2000/svg" class="tally" role="img" '
        f'viewBox="0 0 {_WIDTH:g} {height:g}" width="{_WIDTH:g}" height="{height:g}" '
        'aria-labelledby="tally-t tally-d">'
    )
    pen.raw('<title id="tally-t">Shares of a blind test with exact 95 % intervals</title>')
    pen.raw('<desc id="tally-d">')
    for pair in tally.pairs:
        pen.raw(_words(pair))
    pen.raw(f"</desc><metadata>{software()}</metadata><style>{font_faces()}{_css()}</style>")
    pen.rect(0, 0, _WIDTH, height, "ground")
    top = 0.0
    for pair, room in zip(tally.pairs, heights, strict=True):
        _pair(pen, pair, top)
        top += room
    pen.text(_F, top + 1.6 * _F, "dot: share chosen; line: exact 95 % interval of the share", "s")
    pen.raw("</svg>")
    return str(pen)


def _height(pair: PairTally) -> float:
    return (len(_rows(pair)) + 2.6) * _ROW


def _rows(pair: PairTally) -> list[tuple[str, Score]]:
    rows = list(pair.listeners.items())
    return [*rows, ("pooled", pair.pooled)] if len(rows) > 1 else rows


def _pair(pen: Pen, pair: PairTally, top: float) -> None:
    rows = _rows(pair)
    left = min(max(text_width(name, _F) for name, _ in rows) + 2 * _F, 0.4 * _WIDTH)
    right = _WIDTH - _RIGHT
    pen.text(_F, top + 1.6 * _F, f"{pair.version} chosen over {pair.other}", "title")
    first = top + 2.2 * _ROW
    bottom = first + (len(rows) - 0.4) * _ROW

    def x(share: float) -> float:
        return left + share * (right - left)

    for share, words in ((0.0, "0 %"), (0.5, "50 %, as by chance"), (1.0, "100 %")):
        pen.line(x(share), first - 0.6 * _ROW, x(share), bottom, "half" if share == 0.5 else "rule")
        pen.text(x(share), first - 0.75 * _ROW, words, "s", anchor="middle")
    for number, (name, score) in enumerate(rows):
        y = first + number * _ROW
        low, high = score.clopper_pearson
        pen.text(_F, y + 0.35 * _F, name, "b" if name == "pooled" else "")
        pen.line(x(low), y, x(high), y, "span")
        for end in (low, high):
            pen.line(x(end), y - 0.3 * _F, x(end), y + 0.3 * _F, "span")
        if score.n:
            pen.raw(f'<circle class="dot" cx="{x(score.k / score.n):.1f}" cy="{y:.1f}" r="6"/>')
        pen.text(right + _F, y + 0.35 * _F, f"{score.k} of {score.n}, {_p(score)}", "s")


def _p(score: Score) -> str:
    return "p < 0.001" if score.p < 0.001 else f"p {score.p:.3f}"


def _words(pair: PairTally) -> str:
    from html import escape

    parts = [
        f"{name} chose {pair.version} in {score.k} of {score.n} trials"
        for name, score in _rows(pair)
    ]
    return escape("; ".join(parts) + ".")


def _css() -> str:
    ink = THEMES["light"]
    return (
        f".tally{{font-family:'Retune Text',Georgia,serif}}.tally text{{fill:{ink['ink']};"
        f"font-size:{_F:g}px}}.tally .s{{font-size:{0.84 * _F:.1f}px;fill:{ink['ink2']}}}"
        f".tally .b,.tally .title{{font-weight:700}}.tally .ground{{fill:{ink['paper']}}}"
        f".tally .rule{{stroke:{ink['rule']};stroke-width:1}}"
        f".tally .half{{stroke:{ink['ink']};stroke-width:1;stroke-dasharray:2 5}}"
        f".tally .span{{stroke:{ink['ink']};stroke-width:2}}.tally .dot{{fill:{ink['ink']}}}"
    )
