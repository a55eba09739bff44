"""Draw how right notes are that are told so, as the bench printed it.

To be run when `tests/bench/printed/bench_trust.txt` is new: `python tests/docs/reliability.py`.
"""

from __future__ import annotations

import re
from pathlib import Path

import retune

HOME = Path(retune.__file__).parent
PRINTED = HOME.parent / "tests" / "bench" / "printed" / "bench_trust.txt"
PICTURE = HOME / "docs" / "reliability.svg"
SHOWN = {
    "made, by the other half": ("made voices, not fitted on", "circle"),
    "real, first reading": ("real voices, first reading", "square"),
    "real, second reading": ("real voices, second reading", "cross"),
}
SIDE, LEFT, TOP, FONT = 300, 88, 16, 13


def points(text: str, name: str) -> list[tuple[float, float, int]]:
    """(told, right, notes) of each bin of the first table of this name."""
    head = re.search(rf"^{re.escape(name)} .*\n.*told (.*)\n.*right(.*)\n.*notes(.*)", text, re.M)
    assert head, f"the bench no longer prints {name}"
    told, right, notes = (part.split() for part in head.groups())
    return [(float(a), float(b), int(n)) for a, b, n in zip(told, right, notes, strict=True)]


def mark(kind: str, x: float, y: float, size: float) -> str:
    if kind == "circle":
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{size:.1f}" fill="#1c1c1c"/>'
    if kind == "square":
        a, b = x - size, y - size
        return (
            f'<rect x="{a:.1f}" y="{b:.1f}" width="{2 * size:.1f}" height="{2 * size:.1f}" '
            'fill="none" stroke="#1c1c1c"/>'
        )
    ways = ((-1, -1, 1, 1), (-1, 1, 1, -1))
    return "".join(
        f'<line x1="{x + a * size:.1f}" y1="{y + b * size:.1f}" x2="{x + c * size:.1f}" '
        f'y2="{y + d * size:.1f}" stroke="#1c1c1c"/>'
        for a, b, c, d in ways
    )


def words(x: float, y: float, text: str, anchor: str = "start") -> str:
    return f'<text x="{x:.0f}" y="{y:.0f}" text-anchor="{anchor}" fill="#1c1c1c">{text}</text>'


def drawn(text: str) -> str:
    """The picture: how often notes are right, over how sure they are told to be."""

    def place(told: float, right: float) -> tuple[float, float]:
        return LEFT + SIDE * told, TOP + SIDE * (1 - right)

    parts = [
        f'<rect x="{LEFT}" y="{TOP}" width="{SIDE}" height="{SIDE}" fill="none" stroke="#1c1c1c"/>',
        f'<line x1="{LEFT}" y1="{TOP + SIDE}" x2="{LEFT + SIDE}" y2="{TOP}" stroke="#8a8a8a" '
        'stroke-dasharray="4 4"/>',
    ]
    for at in (0.0, 0.25, 0.5, 0.75, 1.0):
        x, y = place(at, at)
        parts.append(words(x, TOP + SIDE + 18, f"{at:g}", "middle"))
        parts.append(words(LEFT - 8, y + 4, f"{at:g}", "end"))
    parts.append(words(LEFT + SIDE / 2, TOP + SIDE + 38, "told", "middle"))
    parts.append(words(4, TOP + SIDE / 2 + 4, "right"))
    said = []
    for k, (name, (label, kind)) in enumerate(SHOWN.items()):
        y = TOP + 20 + 22 * k
        parts += [mark(kind, LEFT + SIDE + 24, y - 4, 4.5), words(LEFT + SIDE + 38, y, label)]
        rows = points(text, name)
        parts += [mark(kind, *place(a, b), 1.6 + min(n, 100) ** 0.5 / 2.5) for a, b, n in rows]
        said.append(label + ": " + ", ".join(f"{a:g} told, {b:g} right" for a, b, _ in rows))
    parts.append(words(LEFT + SIDE + 20, TOP + 92, "larger: more notes"))
    width, height = LEFT + SIDE + 230, TOP + SIDE + 46
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" role="img" viewBox="0 0 {width} {height}" '
        f'width="{width}" height="{height}" font-family="sans-serif" font-size="{FONT}" '
        'aria-labelledby="rel-t rel-d">\n'
        '<title id="rel-t">How often notes are right, over how sure they are told to be</title>\n'
        f'<desc id="rel-d">{". ".join(said)}.</desc>\n'
        f'<rect width="{width}" height="{height}" fill="#ffffff"/>\n'
        + "\n".join(parts)
        + "\n</svg>\n"
    )


if __name__ == "__main__":
    PICTURE.write_text(drawn(PRINTED.read_text(encoding="utf-8")), encoding="utf-8")
