"""How much room words take on a slide, and what of them fits.

The face that a slide is shown in may not be ours: sizes are counted for the widest that is likely
to stand in for it.
"""

from __future__ import annotations

import math

from retune.comparison.picture_style import text_width

LINE = 1.3  # of the size of text, from line to line
# DejaVu Serif, which stands in for a book face on many machines without one, against ours (1.15
# in the regular cut, 1.18 in the bold one, by their advance widths).
_WIDER = 1.19


def width_at_most(text: str, size: float, *, bold: bool = False) -> float:
    """How wide a text may become, in points."""
    return _WIDER * text_width(text, size, bold=bold)


def lines_of(text: str, size: float, width: float, *, bold: bool = False) -> int:
    """How many lines a paragraph takes that is broken between words; a word longer than a line is
    broken anywhere."""
    lines, x = 1, 0.0
    space = width_at_most(" ", size, bold=bold)
    for word in text.split():
        wide = width_at_most(word, size, bold=bold)
        if x and x + space + wide > width:
            lines, x = lines + 1, 0.0
        x += wide + (space if x else 0.0)
        if x > width:
            more = math.ceil(x / width) - 1
            lines, x = lines + more, x - more * width
    return lines


def height_of(text: str, size: float, width: float, *, bold: bool = False) -> float:
    """How high a paragraph becomes."""
    return lines_of(text, size, width, bold=bold) * size * LINE


def cut_to(text: str, size: float, width: float, *, lines: int = 1, bold: bool = False) -> str:
    """As much of a text as `lines` lines hold, "…" at its end where it is cut.

    >>> cut_to("home-early", 20.0, 200.0), cut_to("home-early-and-late", 20.0, 150.0)
    ('home-early', 'home-early…')
    """

    def fits(shown: str) -> bool:
        return lines_of(shown, size, width, bold=bold) <= lines

    if fits(text):
        return text
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if fits(f"{text[:middle]}…") else (low, middle - 1)
    return f"{text[:low].rstrip(' ,;:-')}…"
