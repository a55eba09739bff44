"""A small pen that writes SVG: coordinates to a tenth of a pixel, every text escaped."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from html import escape

from retune.carriers.text import for_xml

Point = tuple[float, float]
_SIZE = re.compile(r'viewBox="0 0 ([\d.]+) ([\d.]+)"')


def size_of(svg: str) -> tuple[float, float]:
    """Width and height of a picture."""
    match = _SIZE.search(svg)
    if match is None:
        raise ValueError("the picture has no viewBox")
    return float(match[1]), float(match[2])


class Pen:
    """Collects SVG elements in order; `str()` gives their text."""

    def __init__(self) -> None:
        self._parts: list[str] = []

    def __str__(self) -> str:
        return for_xml("\n".join(self._parts))

    def raw(self, text: str) -> None:
        """Put well-formed SVG text in as it is."""
        self._parts.append(text)

    def line(self, x1: float, y1: float, x2: float, y2: float, css: str) -> None:
        self.raw(
            f'<line class="ln {css}" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>'
        )

    def path(self, points: Iterable[Point], css: str, *, closed: bool = False) -> None:
        """A line through points; nothing when there are fewer than two."""
        steps = [f"{x:.1f} {y:.1f}" for x, y in points]
        if len(steps) > 1:
            end = "Z" if closed else ""
            kind = css if closed else f"ln {css}"
            self.raw(f'<path class="{kind}" d="M{"L".join(steps)}{end}"/>')

    def shape(self, d: str, css: str) -> None:
        """A path by its `d` attribute."""
        self.raw(f'<path class="{css}" d="{d}"/>')

    def hatched(self, d: str, pattern: str) -> None:
        """A closed path filled with the pattern of that id."""
        self.raw(f'<path fill="url(#{pattern})" d="{d}"/>')

    def text(self, x: float, y: float, words: str, css: str = "", *, anchor: str = "start") -> None:
        kind = f' class="{css}"' if css else ""
        where = "" if anchor == "start" else f' text-anchor="{anchor}"'
        self.raw(f'<text{kind} x="{x:.1f}" y="{y:.1f}"{where}>{escape(words)}</text>')

    def rect(self, x: float, y: float, width: float, height: float, css: str) -> None:
        self.raw(
            f'<rect class="{css}" x="{x:.1f}" y="{y:.1f}" '
            f'width="{max(width, 0):.1f}" height="{max(height, 0):.1f}"/>'
        )

    def head(self, x: float, y: float, size: float, css: str) -> None:
        """A notehead, tilted as engravers tilt it."""
        self.raw(
            f'<ellipse class="head {css}" rx="{0.31 * size:.1f}" ry="{0.22 * size:.1f}" '
            f'transform="translate({x:.1f} {y:.1f}) rotate(-24)"/>'
        )

    def ending(self, state: str | None, x: float, y: float, r: float, css: str = "") -> None:
        """The sign of an ending: a square lies flat, a half-filled diamond stands on a point, a
        ring rolls on; told apart by outline and by fill. Nothing when the state is unknown."""
        if state is None:
            return
        q = f"{1.15 * r:.1f}"
        signs = {
            "at rest": f'<rect class="fill" x="{-0.9 * r:.1f}" y="{-0.9 * r:.1f}" '
            f'width="{1.8 * r:.1f}" height="{1.8 * r:.1f}"/>',
            "partly at rest": f'<path class="edge" d="M0 -{q}L{q} 0L0 {q}L-{q} 0Z"/>'
            f'<path class="fill" d="M-{q} 0L{q} 0L0 {q}Z"/>',
            "open": f'<circle class="edge" r="{0.95 * r:.1f}"/>',
        }
        self.raw(
            f'<g class="shape {css}" transform="translate({x:.1f} {y:.1f})">'
            f'<circle class="case" r="{1.42 * r:.1f}"/>{signs[state]}</g>'
        )

    @contextmanager
    def group(self, css: str, **data: object) -> Iterator[None]:
        """A `<g>` with a class and `data-*` attributes around what is drawn inside."""
        facts = "".join(f' data-{name}="{escape(str(value))}"' for name, value in data.items())
        self.raw(f'<g class="{css}"{facts}>')
        yield
        self.raw("</g>")
