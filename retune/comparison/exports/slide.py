"""One slide of a lecture: what stands on it, and where.

Measured in points of a page of 960 by 540. No text is smaller than a 28th of its height, so that
the last row of a hall reads it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from retune.comparison.exports.fitting import cut_to, height_of
from retune.comparison.exports.pictures import alt_text
from retune.comparison.svg import size_of

WIDTH, HEIGHT, MARGIN = 960.0, 540.0, 24.0
INSIDE = WIDTH - 2 * MARGIN
LEAST_PT = HEIGHT / 28
TITLE_PT, HEAD_PT, TEXT_PT, SMALL_PT = 44.0, 28.0, 22.0, 20.0
KEY_WIDTH, KEY_HEIGHT = 300.0, 28.0  # what a line of the picture means
KEY_NAME = 66.0  # where in it the name begins, after the line and the sign of the sound
RULE, GAP = 8.0, 8.0  # height of the double rule under a heading, and what is free around things
LONG_LEAD = 20  # signs
_HEAD_TOP, _TITLE_TOP = 12.0, 40.0


@dataclass(frozen=True)
class Line:
    """One paragraph; `ink` is "ink", "spot" (what is changed) or "warn" (a clash)."""

    text: str
    ink: str = "ink"
    lead: str = ""
    """Words before the text, bold."""


@dataclass(frozen=True)
class Box:
    """A place on a slide, in points."""

    left: float
    top: float
    width: float
    height: float


@dataclass(frozen=True)
class Slide:
    """One slide. `svg` is its picture, `versions` what is drawn in it and can be heard: `span_s` of
    each, the whole song where that is None. `kind` is "title", "picture" or "text"."""

    kind: str
    headline: str
    lines: tuple[Line, ...] = ()
    svg: str = ""
    versions: tuple[str, ...] = ()
    span_s: tuple[float, float] | None = None

    @property
    def alt(self) -> str:
        """The picture told in words."""
        return alt_text(self.svg) if self.svg else ""

    @property
    def head_box(self) -> Box:
        top = _TITLE_TOP if self.kind == "title" else _HEAD_TOP
        return Box(
            MARGIN, top, INSIDE, height_of(self.headline, head_size(self), INSIDE, bold=True)
        )

    @property
    def lines_box(self) -> Box:
        top = self.head_box.top + self.head_box.height + RULE + GAP
        if self.kind != "picture":
            return Box(MARGIN, top, INSIDE, HEIGHT - top - GAP)
        if not self.lines:
            return Box(MARGIN, top, INSIDE, KEY_HEIGHT)
        width = INSIDE - KEY_WIDTH - MARGIN
        tall = max(lines_height(self.lines, width), len(self.versions) * KEY_HEIGHT)
        return Box(MARGIN, top, width, tall)

    @property
    def key_boxes(self) -> list[Box]:
        """A place for each version: beside the text, or side by side where there is none."""
        top, right = self.lines_box.top, WIDTH - MARGIN - KEY_WIDTH
        if not self.lines:
            lefts = (MARGIN + k * (KEY_WIDTH + MARGIN) for k in range(len(self.versions)))
            return [Box(left, top, KEY_WIDTH, KEY_HEIGHT) for left in lefts]
        return [
            Box(right, top + k * KEY_HEIGHT, KEY_WIDTH, KEY_HEIGHT)
            for k in range(len(self.versions))
        ]

    @property
    def picture_box(self) -> Box:
        """The place of the picture, in its own proportions."""
        text = self.lines_box
        top = text.top + text.height + GAP
        wide, high = size_of(self.svg)
        scale = min(INSIDE / wide, (HEIGHT - top - GAP) / high)
        left = MARGIN + (INSIDE - scale * wide) / 2
        return Box(left, top, scale * wide, scale * high)


def head_size(slide: Slide) -> float:
    """Size of the heading of a slide."""
    return TITLE_PT if slide.kind == "title" else HEAD_PT


def text_size(slide: Slide) -> float:
    """Size of the paragraphs of a slide."""
    return SMALL_PT if slide.kind == "title" else TEXT_PT


def text_gap(slide: Slide) -> float:
    """What is left free between two paragraphs."""
    return 0.0 if slide.kind == "picture" else GAP


def key_name(name: str) -> str:
    """The name of a version as its place in the key holds it."""
    return cut_to(name, SMALL_PT, KEY_WIDTH - KEY_NAME, bold=True)


def lines_height(lines: Sequence[Line], width: float) -> float:
    """How high paragraphs become of a slide with a picture."""
    return sum(line_height(line, TEXT_PT, width) for line in lines)


def line_height(line: Line, size: float, width: float = INSIDE) -> float:
    """How high one paragraph becomes; one with a long lead, which is bold, as if all of it were."""
    return height_of(f"{line.lead} {line.text}", size, width, bold=len(line.lead) > LONG_LEAD)
