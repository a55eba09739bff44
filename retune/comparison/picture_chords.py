"""The row of chords below the lanes, with what a plan makes of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from retune.carriers.changes import Edit, Plan
from retune.carriers.heard import Analysis, Chord
from retune.comparison.endings import chord_after
from retune.comparison.picture_layout import System
from retune.comparison.picture_style import text_width
from retune.comparison.picture_words import chord_name, roman_shown
from retune.comparison.svg import Pen

_LOOKS = (0.5, 0.25, 0.75)  # where in a bar it is asked what a chord has become, as parts of it
_SMALL = 0.84
_ARROW = " → "


@dataclass(frozen=True)
class _Cell:
    """A chord in one bar: from where to where, and what it has become (None for the same)."""

    x1: float
    x2: float
    chord: Chord
    later: Chord | None = None
    has_changed: bool = False


def draw_chords(
    pen: Pen, system: System, analysis: Analysis, plan: Plan | None, others: Sequence[Edit]
) -> None:
    """Numeral above, chord name below, said again in every bar; "…" where chords have no room.

    `others` are the edits of the plan in stems other than the melody; a chord that they change
    stands as it was and as it is ("V → I"), where there is room for one alone as it is.
    """
    f = system.layout.f
    y = system.words_bottom + 1.15 * f
    pen.text(0.25 * f, y, "chord", "sk")
    hidden: list[tuple[float, float]] = []
    for chord in analysis.chords:
        cells = [
            _cell(system, span, chord, analysis, plan, others) for span in _spans(chord, system)
        ]
        shown = [_draw_cell(pen, cell, y, f) for cell in cells]
        if cells and not any(shown):
            hidden.append((cells[0].x1, cells[-1].x2))
    free_from = -math.inf
    for x1, x2 in hidden:
        if x1 >= free_from:
            pen.text((x1 + x2) / 2, y, "…", "sk", anchor="middle")
            free_from = x1 + f


def _spans(chord: Chord, system: System) -> list[tuple[float, float]]:
    """From where to where a chord stands in a system, bar by bar, on its axis."""
    first = max(system.axis.position(chord.start_s), system.first)
    last = min(system.axis.position(chord.end_s), system.last)
    spans = []
    while last - first > 0.02:
        stop = min(last, math.floor(first + 0.02) + 1.0) if system.axis.in_bars else last
        spans.append((first, stop))
        first = stop
    return spans


def _cell(
    system: System,
    span: tuple[float, float],
    chord: Chord,
    analysis: Analysis,
    plan: Plan | None,
    others: Sequence[Edit],
) -> _Cell:
    first, stop = span
    x1, x2 = system.x_at(first), system.x_at(stop)
    if plan is not None and chord.root_pc >= 0:
        for part in _LOOKS:
            at_s = system.axis.time_s(first + part * (stop - first))
            if not any(edit.start_s <= at_s < edit.end_s for edit in others):
                continue
            later = chord_after(analysis, plan, at_s)
            if later is None or chord_name(later) != chord_name(chord):
                return _Cell(x1, x2, chord, later, has_changed=True)
    return _Cell(x1, x2, chord)


def _draw_cell(pen: Pen, cell: _Cell, y: float, f: float) -> bool:
    """Draw what of a cell has room; whether anything had."""
    roman = name = ""
    if cell.has_changed:
        roman, name = (
            (roman_shown(cell.later), chord_name(cell.later)) if cell.later else ("?", "new")
        )
    above = _draw_words(pen, cell, (roman_shown(cell.chord), roman), y, f, is_numeral=True)
    below = _draw_words(pen, cell, (chord_name(cell.chord), name), y + 1.1 * f, f)
    return above or below


def _draw_words(
    pen: Pen, cell: _Cell, words: tuple[str, str], y: float, f: float, *, is_numeral: bool = False
) -> bool:
    """Words as they were and, in the ink of the variant, as they are; whether there was room."""
    before, after = words
    room, middle = cell.x2 - cell.x1 - 0.15 * f, (cell.x1 + cell.x2) / 2

    def wide(text: str, size: float) -> float:
        return text_width(text, size, bold=is_numeral)

    if not after:
        if not before or wide(before, _SMALL * f) > room + 0.1 * f:
            return False
        is_large = is_numeral and wide(before, 1.1 * f) <= room
        css = ("r" if is_large else "sk b") if is_numeral else "sk"
        pen.text(middle, y, before, css, anchor="middle")
        return True
    lead = f"{before}{_ARROW}"
    for size, css in ((1.1, "r"), (_SMALL, "sk b")) if is_numeral else ((_SMALL, "sk"),):
        whole = wide(lead, size * f) + wide(after, size * f)
        if whole <= room + 0.1 * f:
            x = middle - whole / 2
            pen.text(x, y, lead.rstrip(), css)
            pen.text(x + wide(lead, size * f), y, after, f"{css} v")
            return True
    if wide(after, _SMALL * f) > room + 0.1 * f:
        return False
    pen.text(middle, y, after, "sk v b" if is_numeral else "sk v", anchor="middle")
    return True
