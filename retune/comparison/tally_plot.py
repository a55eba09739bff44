"""A plot of blind-test answers: each listener's share with its interval, chance marked."""

from __future__ import annotations

from html import escape

from retune.carriers.errors import UsageError
from retune.carriers.text import pretty
from retune.comparison.picture_style import THEMES, font_faces, style_sheet, text_width
from retune.comparison.statistics import Score
from retune.comparison.svg import Pen
from retune.comparison.tally import PairTally

_ROW = 1.7  # height of a listener's row, in f


def tally_svg(
    pair: PairTally,
    *,
    width: float = 860.0,
    font: float = 18.0,
    theme: str = "light",
    embed_fonts: bool = True,
) -> str:
    """The share of choices of `pair.version` by listener and pooled, as an SVG document.

    A dot is the share, the line its exact 95 % interval (Clopper-Pearson); a line that crosses
    the middle is compatible with chance.

    Raises UsageError for a theme that does not exist.
    """
    if theme not in THEMES or theme == "page":
        known = ", ".join(name for name in THEMES if name != "page")
        raise UsageError(f'theme "{theme}" does not exist; give one of {known}')
    f = font
    rows: list[tuple[str, Score]] = list(pair.listeners.items())
    pooled = len(rows) > 1
    rows += [("all together", pair.pooled)] if pooled else []
    names = max(text_width(name, f) for name, _ in rows)
    left = min(names + f, 0.4 * width)
    right = width - 0.6 * f - text_width("100 of 100", 0.84 * f)
    top = 3.2 * f
    bottom = top + (len(rows) + (0.4 if pooled else 0)) * _ROW * f
    height = bottom + 3.4 * f
    pen = Pen()
    pen.raw(
        f'<svg xmlns="http://www.w3.org/2000/svg" class="tally" role="img" '
        f'viewBox="0 0 {width:g} {height:.0f}" width="{width:g}" height="{height:.0f}" '
        f'aria-labelledby="tally-t tally-d"><title id="tally-t">{escape(_title(pair))}</title>'
        f'<desc id="tally-d">{escape(_description(pair))}</desc>'
    )
    fonts = font_faces() if embed_fonts else ""
    pen.raw(f"<style>{fonts}{style_sheet(f, theme=theme, scope='tally')}</style>")
    pen.rect(0, 0, width, height, "ground")
    pen.text(0.2 * f, 1.3 * f, pretty(_title(pair)), "b")
    _axis(pen, (left, right), (top, bottom), f)
    for place, (name, score) in enumerate(rows):
        apart = 0.4 * _ROW * f if pooled and place == len(rows) - 1 else 0.0
        y = top + (place + 0.5) * _ROW * f + apart
        bold = "b" if apart else ""
        pen.text(left - 0.6 * f, y + 0.34 * f, _fitted(name, left - 0.8 * f, f), bold, anchor="end")
        _score(pen, score, y, (left, right), f, is_pooled=bool(apart))
        pen.text(width - 0.2 * f, y + 0.34 * f, f"{score.k} of {score.n}", "sk", anchor="end")
    pen.text(left, bottom + 2.8 * f, "dot: share; line: exact 95 % interval; middle: chance", "s")
    pen.raw("</svg>")
    return str(pen)


def _title(pair: PairTally) -> str:
    return f"How often “{pair.version}” was chosen over “{pair.other}”"


def _description(pair: PairTally) -> str:
    said = [
        f"{name}: {score.k} of {score.n}, 95 % interval {_percent(score)}."
        for name, score in pair.listeners.items()
    ]
    if len(pair.listeners) > 1:
        said.append(f"All together: {pair.pooled.k} of {pair.pooled.n}, {_percent(pair.pooled)}.")
    return " ".join(said)


def _percent(score: Score) -> str:
    low, high = score.clopper_pearson
    return f"{100 * low:.0f} to {100 * high:.0f} %"


def _axis(pen: Pen, span: tuple[float, float], rows: tuple[float, float], f: float) -> None:
    (left, right), (top, bottom) = span, rows
    for percent in (0, 25, 50, 75, 100):
        x = left + percent / 100 * (right - left)
        pen.line(x, top - 0.3 * f, x, bottom + 0.2 * f, "close" if percent == 50 else "bar")
        label = f"{percent} %"
        pen.text(x, bottom + 1.3 * f, label, "sk", anchor="middle")
    pen.line(left, bottom + 0.2 * f, right, bottom + 0.2 * f, "end")


def _score(
    pen: Pen, score: Score, y: float, span: tuple[float, float], f: float, *, is_pooled: bool
) -> None:
    left, right = span
    low, high = (left + share * (right - left) for share in score.clopper_pearson)
    pen.line(low, y, high, y, "body" if is_pooled else "end")
    for x in (low, high):
        pen.line(x, y - 0.3 * f, x, y + 0.3 * f, "end")
    if score.n:
        x = left + score.k / score.n * (right - left)
        pen.raw(f'<circle class="head" cx="{x:.1f}" cy="{y:.1f}" r="{0.3 * f:.1f}"/>')


def _fitted(name: str, room: float, f: float) -> str:
    """A long name cut with an ellipsis."""
    if text_width(name, f) <= room:
        return name
    while name and text_width(name + "…", f) > room:
        name = name[:-1]
    return name + "…"
