"""The rows around the lanes: phrase brackets, endings, moves of other stems, tension."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from retune.carriers.changes import Edit
from retune.carriers.text import pretty
from retune.comparison.endings import PhraseEnding
from retune.comparison.picture_layout import System
from retune.comparison.picture_style import text_width
from retune.comparison.picture_words import (
    CADENCES_IN_SHORT,
    cadence_words,
    over_words,
)
from retune.comparison.svg import Pen, Point

_TOGETHER_S = 0.25  # edits closer than this are one move

TensionPoint = tuple[float, float, float | None]
"""(time_s, value of the original, value of the variant or None where it is the same)."""


def draw_phrases(pen: Pen, system: System, endings: Sequence[PhraseEnding], *, quiz: bool) -> None:
    """Brackets as an analysis prints them, and under each how the phrase ends."""
    f = system.layout.f
    if not endings:
        return
    base = system.phrases_top + 2.82 * f
    here = [e for e in endings if e.phrase.start_s < system.end_s and _end_of(e) > system.start_s]
    if system.layout.has_endings:
        pen.text(0.25 * f, base, "ending", "sk")
    if any(e.is_changed and system.has_end_of(_end_of(e)) for e in here) and not quiz:
        pen.text(0.25 * f, base + 1.3 * f, "variant", "sk v")
    nexts = [*(e.phrase.start_s for e in here), math.inf][1:]
    spans = [_bracket_span(system, e, after) for e, after in zip(here, nexts, strict=True)]
    told = _bracket_words(system, here, spans, quiz=quiz)
    for ending, (x1, x2), words in zip(here, spans, told, strict=True):
        _bracket(pen, system, ending, (x1, x2), words)
        if system.layout.has_endings and system.has_end_of(_end_of(ending)):
            _ending_words(pen, ending, x1, x2, base, f, quiz=quiz)


def _end_of(ending: PhraseEnding) -> float:
    return ending.note.end_s if ending.note is not None else ending.phrase.end_s


def _bracket_span(system: System, ending: PhraseEnding, following_s: float) -> tuple[float, float]:
    f, axis = system.layout.f, system.axis
    first = max(axis.position(ending.phrase.start_s), system.first)
    stop = axis.position(max(ending.phrase.end_s, _end_of(ending)))
    bound = min(axis.position(min(following_s, 1e6)), system.last)
    last = min(math.ceil(stop - 0.02), bound) if axis.in_bars else min(stop, bound)
    x1 = system.x_at(first) + 0.12 * f
    return x1, max(system.x_at(last) - 0.3 * f, x1 + 0.6 * f)


def _bracket(
    pen: Pen,
    system: System,
    ending: PhraseEnding,
    span: tuple[float, float],
    words: tuple[str, str],
) -> None:
    """The bracket of a phrase with its number and its cadence, as far as there is room."""
    f, (x1, x2), (label, cadence) = system.layout.f, span, words
    y = system.phrases_top + 0.95 * f
    is_closed = system.has_end_of(_end_of(ending))
    line = f"M{x1:.1f} {y + 0.5 * f:.1f}V{y:.1f}"
    if label:
        pen.text(x1 + 0.8 * f, y + 0.34 * f, label, "i")
        line += f"H{x1 + 0.5 * f:.1f}M{x1 + 1.1 * f + text_width(label, f):.1f} {y:.1f}"
    if cadence:
        pen.text(x2 - 0.8 * f, y + 0.3 * f, cadence, "sk", anchor="end")
        line += f"H{x2 - 1.1 * f - text_width(cadence, 0.84 * f):.1f}M{x2 - 0.5 * f:.1f} {y:.1f}"
    pen.shape(f"{line}H{x2:.1f}" + (f"V{y + 0.5 * f:.1f}" if is_closed else ""), "ln bracket")


def _bracket_words(
    system: System,
    endings: Sequence[PhraseEnding],
    spans: Sequence[tuple[float, float]],
    *,
    quiz: bool,
) -> list[tuple[str, str]]:
    """Number and cadence of each phrase, all of a system in one manner: that with the most words
    for which most brackets have room, those of mere beginnings and ends of phrases aside. One that
    has no room for it has fewer words."""
    f = system.layout.f
    manners = [
        _bracket_manners(e, is_closed=system.has_end_of(_end_of(e)) and not quiz) for e in endings
    ]
    fits = [
        [x2 - x1 > _bracket_width(words, f) for words in own]
        for own, (x1, x2) in zip(manners, spans, strict=True)
    ]
    widest = max((x2 - x1 for x1, x2 in spans), default=0.0)
    whole = [fit for fit, (x1, x2) in zip(fits, spans, strict=True) if x2 - x1 > widest / 2]
    held = [sum(column) for column in zip(*whole, strict=True)]
    first = held.index(max(held)) if held else 0
    return [
        next((words for words, fit in [*zip(own, fit, strict=True)][first:] if fit), ("", ""))
        for own, fit in zip(manners, fits, strict=True)
    ]


def _bracket_manners(ending: PhraseEnding, *, is_closed: bool) -> list[tuple[str, str]]:
    """What may stand in a bracket, most words first."""
    alike = f" {ending.phrase.alike}" if ending.phrase.alike else ""
    number = str(ending.number)
    cadence = (ending.phrase.cadence or "") if is_closed else ""
    name, short = cadence_words(cadence), CADENCES_IN_SHORT.get(cadence, "")
    labels = (f"phrase {number}{alike}", f"{number}{alike}")
    named = (name, name.removesuffix(" cadence"), short)
    return [*((label, words) for words in named for label in labels), (labels[1], ""), (number, "")]


def _bracket_width(words: tuple[str, str], f: float) -> float:
    label, cadence = words
    wide = text_width(label, f) + 1.5 * f
    return wide + (text_width(cadence, 0.84 * f) + 1.4 * f if cadence else 0.0)


def _ending_words(
    pen: Pen, ending: PhraseEnding, x1: float, x2: float, base: float, f: float, *, quiz: bool
) -> None:
    if quiz:
        line = min(5.2 * f, max(x2 - x1 - 1.2 * f, f))
        pen.line(x2 - line, base + 0.1 * f, x2, base + 0.1 * f, "end")
        if ending.degree:
            pen.text(x2 - line - 0.3 * f, base, pretty(ending.degree), "b", anchor="end")
        return
    degree = pretty(ending.degree or "")
    _one_ending(pen, degree, ending.state, ending.state or "", (x1, x2), base, f, css="")
    if ending.is_changed:
        move = pretty(ending.move_words)
        if not ending.is_moved:
            move = f"{degree} {over_words(ending)}".strip()
        words, state = ending.words_after, ending.state_after
        _one_ending(pen, move, state, words, (x1, x2), base + 1.3 * f, f, css="v")


def _one_ending(
    pen: Pen,
    degree: str,
    state: str | None,
    words: str,
    span: tuple[float, float],
    y: float,
    f: float,
    *,
    css: str,
) -> None:
    """Degree, sign and word, right-aligned; the word goes first where the phrase is narrow."""
    x1, x2 = span
    bold = css == "v"
    sign = 1.3 * f if state else 0.3 * f
    needed = text_width(degree, f, bold=True) + sign
    if words and x2 - x1 >= needed + text_width(words, f, bold=bold) + 0.2 * f:
        pen.text(x2, y, words, "b v" if bold else "", anchor="end")
        x2 -= text_width(words, f, bold=bold) + 0.3 * f
    if state:
        pen.ending(state, x2 - 0.42 * f, y - 0.32 * f, 0.34 * f, css)
        x2 -= 1.12 * f
    pen.text(x2, y, degree, "b v" if bold else "b", anchor="end")


def draw_other_moves(pen: Pen, system: System, edits: Sequence[Edit]) -> None:
    """What the plan moves in stems other than the melody: a dashed bracket with words."""
    f = system.layout.f
    y = system.chords_bottom - 0.95 * f
    free_from = -math.inf
    for start_s, end_s, cents, stems in _moves_together(edits):
        if end_s <= system.start_s or start_s >= system.end_s:
            continue
        x1 = system.x(max(start_s, system.start_s))
        x2 = system.x(min(end_s, system.end_s))
        pen.shape(f"M{x1:.1f} {y - 0.3 * f:.1f}V{y:.1f}H{x2:.1f}V{y - 0.3 * f:.1f}", "bracket v")
        amount = f"{abs(cents) / 100:.2f}".rstrip("0").rstrip(".")
        how = f"{'+' if cents > 0 else '−'}{amount}" if cents else "in time"
        words = f"{', '.join(sorted(stems))} {how}"
        wide = text_width(words, 0.84 * f)
        x1 = min(x1, system.x_end - wide)
        if x1 > free_from:
            pen.rect(x1 - 0.1 * f, y + 0.1 * f, wide + 0.2 * f, 0.9 * f, "ground")  # over bar lines
            pen.text(x1, y + 0.8 * f, words, "sk v")
            free_from = x1 + wide + 0.3 * f


def _moves_together(edits: Sequence[Edit]) -> list[tuple[float, float, float, list[str]]]:
    """(from, to, cents, stems): edits by the same amount at about the same time as one."""
    found: list[tuple[float, float, float, list[str]]] = []
    for edit in sorted(edits, key=lambda e: (e.start_s, e.end_s, e.stem)):
        for place, (start_s, end_s, cents, stems) in enumerate(found):
            if cents == edit.shift_cents and edit.start_s <= end_s + _TOGETHER_S:
                names = stems if edit.stem in stems else [*stems, edit.stem]
                found[place] = (start_s, max(end_s, edit.end_s), cents, names)
                break
        else:
            found.append((edit.start_s, edit.end_s, edit.shift_cents, [edit.stem]))
    return found


def draw_tension(
    pen: Pen,
    system: System,
    points: Sequence[TensionPoint],
    endings: Sequence[PhraseEnding],
    *,
    hatch: str,
) -> None:
    """The tension curve, the variant dashed only where it differs, hatched between."""
    f = system.layout.f
    top, bottom = system.chords_bottom + 0.55 * f, system.bottom - 0.25 * f
    gutter = system.layout.gutter
    pen.line(gutter, bottom, system.x_end, bottom, "end")
    pen.text(0.25 * f, (top + bottom) / 2 + 0.3 * f, "tension", "sk")
    values = [value for point in points for value in point[1:] if value is not None]
    low, high = min([0.0, *values]), max([1e-9, *values])

    def height(value: float) -> float:
        return bottom - (value - low) / (high - low) * (bottom - top) * 0.96

    def place(time_s: float, value: float) -> Point:
        return system.x(time_s), height(value)

    for value in axis_steps(low, high):
        y = height(value)
        pen.text(gutter - 0.5 * f, y + 0.3 * f, f"{value:g}", "sk", anchor="end")
        if y < bottom - 0.1 * f:
            pen.line(gutter, y, system.x_end, y, "lane off")

    old = [place(time_s, value) for time_s, value, _ in points]
    new = [place(t, value if variant is None else variant) for t, value, variant in points]
    changed = [variant is not None and variant != value for _, value, variant in points]
    for first, last in _changed_stretches(changed):
        a, b = max(first - 1, 0), min(last + 1, len(points) - 1)
        piece = slice(a, b + 1)
        outline = _clipped(old[piece], system), _clipped(new[piece], system)
        if len(outline[0]) > 1 and len(outline[1]) > 1:
            pen.hatched(_closed([*outline[0], *outline[1][::-1]]), hatch)
            pen.path(outline[1], "curve v")
    pen.path(_clipped(old, system), "curve")
    for ending in endings:
        if ending.note is None or not system.holds(ending.note.start_s):
            continue
        near = _nearest(points, ending.note.start_s, ending.note.end_s)
        if near is not None:
            pen.ending(ending.state, *old[near], 0.24 * f)
            if ending.is_changed and changed[near]:
                pen.ending(ending.state_after, *new[near], 0.24 * f, "v")


def axis_steps(low: float, high: float, *, most: int = 4) -> list[float]:
    """At most `most` round numbers from `low` to `high`, evenly apart, whole where they can be.

    >>> axis_steps(0, 17), axis_steps(0, 0.9), axis_steps(0, 8)
    ([0.0, 5.0, 10.0, 15.0], [0.0, 0.25, 0.5, 0.75], [0.0, 5.0])
    """
    if high - low < 1e-6:
        return [low]
    tens = 10.0 ** math.floor(math.log10(high - low)) / 10
    sizes = [tens * size for size in (1, 2, 2.5, 5, 10, 20, 25, 50)]
    sizes = [size for size in sizes if size < 1 or size % 1 == 0]
    step = next(s for s in sizes if math.floor(high / s) - math.ceil(low / s) < most)
    first, last = math.ceil(low / step), math.floor(high / step)
    return [round(place * step, 9) for place in range(first, last + 1)]


def _changed_stretches(changed: Sequence[bool]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff([0, *map(int, changed), 0]))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _closed(points: Sequence[Point]) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points) + "Z"


def _nearest(points: Sequence[TensionPoint], start_s: float, end_s: float) -> int | None:
    """The last point that lies in a note: over its last chord, where it steps."""
    inside = [k for k, (t, _, _) in enumerate(points) if start_s - 1e-6 <= t <= end_s + 1e-6]
    return inside[-1] if inside else None


def _clipped(points: Sequence[Point], system: System) -> list[Point]:
    """The part of a curve inside the system, cut at its borders."""
    left, right = system.x_at(system.first), system.x_end
    out: list[Point] = []
    for k, (x, y) in enumerate(points):
        if k and (points[k - 1][0] < left < x or points[k - 1][0] < right < x):
            x0, y0 = points[k - 1]
            for edge in (left, right):
                if x0 < edge < x:
                    out.append((edge, y0 + (y - y0) * (edge - x0) / (x - x0)))
        if left <= x <= right:
            out.append((x, y))
    return out
