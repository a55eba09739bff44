"""Inks, type and line weights of the pictures; everything is measured in `f`, the text size.

Two inks and a warning ink: what was sung is `ink` and solid, what is changed is `spot` and
dashed. Hues are those of Okabe and Ito's palette for colour-blind readers (from memory), moved
until text has a contrast of 4.5:1.
"""

from __future__ import annotations

import base64
import unicodedata
from bisect import bisect_right
from collections.abc import Callable, Sequence
from functools import lru_cache
from importlib import resources
from itertools import accumulate

THEMES: dict[str, dict[str, str]] = {
    "light": {
        "paper": "#ffffff",
        "ink": "#16202a",
        "ink2": "#4a5560",
        "rule": "#858d95",
        "spot": "#0068a6",
    },
    "dark": {
        "paper": "#1d2b28",
        "ink": "#f3f2ea",
        "ink2": "#c3cbc4",
        "rule": "#84918a",
        "spot": "#74c4f2",
    },
    "grey": {
        "paper": "#ffffff",
        "ink": "#111111",
        "ink2": "#4d4d4d",
        "rule": "#858585",
        "spot": "#5a5a5a",
    },
    "page": {name: f"var(--{name})" for name in ("paper", "ink", "ink2", "rule", "spot")},
}
# Class, width and text size of each drawing, and how many systems (None: as many as needed).
DRAWINGS = (
    ("phone", 340.0, 14.0, None),
    ("tablet", 860.0, 16.0, None),
    ("desk", 1240.0, 16.0, None),
    ("wall", 2200.0, 20.0, None),
)
FAMILY = "'Retune Text','Bitstream Charter',Charter,'Charis SIL',Georgia,'DejaVu Serif',serif"
FONT_FILES = (("regular", 400, "normal"), ("bold", 700, "normal"), ("italic", 400, "italic"))

# Advance widths of the regular cut in hundredths of an em, from the space (U+0020) to "~".
_ADVANCES = bytes.fromhex(
    "1d22214a38564611262632641c201c31383838383838383838381c1c646464315e433c3f463a"
    "36454a213040355848493a4a41343c47435d3f3f3a2a312a21212333382f38312134391e1d35"
    "1e553936383727282239354e33352e31233153"
)
# Signs of the face outside ASCII; letters of scripts that it lacks.
_SIGN_ADVANCES = {
    **dict.fromkeys("—…←→−×≈≠≤≥", 100),
    **dict.fromkeys("↑↓–", 50),
    **dict.fromkeys("“”", 45),
    **dict.fromkeys("‘’·", 25),
    **dict.fromkeys("♭♯", 43),
}
_CAPITAL, _LETTER = 84, 66


# Line weights: share of f, and the least that still shows, in px.
_WEIGHTS = {
    "lane": (0.05, 1.0),
    "home": (0.13, 1.8),
    "hair": (0.045, 0.9),
    "bar": (0.035, 0.8),
    "end": (0.05, 1.0),
    "close": (0.16, 2.2),
    "bracket": (0.06, 1.1),
    "glide": (0.07, 1.1),
    "body": (0.2, 2.4),
    "was": (0.075, 1.2),
    "new": (0.2, 2.8),
    "newglide": (0.09, 1.3),
    "edge": (0.1, 1.5),
    "arrow": (0.09, 1.5),
    "curve": (0.085, 1.4),
    "halo": (0.42, 5.0),
    "play": (0.1, 1.6),
}


def text_width(text: str, size: float, *, bold: bool = False) -> float:
    """Width of a text set in the picture's face; of letters that it lacks as wide as they come in
    the faces that stand in for it: an em in East Asian scripts (Unicode Annex 11), nothing of a
    mark over another letter."""
    units = sum(map(_advance, text))
    return units / 100 * size * (1.08 if bold else 1.0)


def n_fitting(words: Sequence[str], room: float, size: float) -> int:
    """How many words, from the first on and parted by spaces, fit into so many px; each is measured
    once, as there may be thousands."""
    ends = list(accumulate(text_width(f"{word} ", size) for word in words))
    return bisect_right(ends, room + text_width(" ", size))


@lru_cache(maxsize=4096)
def _advance(char: str) -> int:
    if " " <= char <= "~":
        return _ADVANCES[ord(char) - 32]
    if char in _SIGN_ADVANCES:
        return _SIGN_ADVANCES[char]
    if unicodedata.category(char) in ("Mn", "Me", "Cf"):
        return 0
    if unicodedata.east_asian_width(char) in "WF":
        return 100
    plain = unicodedata.normalize("NFD", char)[0]
    if " " <= plain <= "~":
        return _advance(plain)
    return _CAPITAL if char.isupper() else _LETTER


def title_lines(title: str | None, width: float, font: float) -> list[str]:
    """The title broken into lines that fit."""
    return wrapped(title or "", width - 0.6 * font, 1.5 * font, bold=True)


def wrapped(text: str, width: float, size: float, *, bold: bool = False) -> list[str]:
    """A text broken between words into lines of a width; a longer word has a line of its own."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(longer, size, bold=bold) <= width:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


@lru_cache(maxsize=1)
def font_faces() -> str:
    """CSS that carries the three cuts of the face inside (about 64 kB)."""
    rules = []
    for cut, weight, slant in FONT_FILES:
        name = f"retune-text-{cut}.woff2"
        data = resources.files("retune.comparison").joinpath("assets", name).read_bytes()
        rules.append(
            f"@font-face{{font-family:'Retune Text';font-weight:{weight};font-style:{slant};"
            f"src:url(data:font/woff2;base64,{base64.b64encode(data).decode()})}}"
        )
    return "".join(rules)


def style_sheet(f: float, *, theme: str, scope: str) -> str:
    """The CSS of a picture with text size `f` (px), for elements below the class `scope`."""
    ink = THEMES[theme]
    weight = {name: f"{max(share * f, least):.2f}px" for name, (share, least) in _WEIGHTS.items()}

    def dash(*shares: float) -> str:
        return " ".join(f"{share * f:.1f}" for share in shares)

    rules = {
        **_type_rules(f, ink),
        **_line_rules(f, ink, weight, dash),
        **_sign_rules(f, ink, weight),
    }
    return "".join(f".{scope} {name}{{{body}}}".replace(" {", "{") for name, body in rules.items())


def _type_rules(f: float, ink: dict[str, str]) -> dict[str, str]:
    """Sizes and inks of words."""
    return {
        "": f"font-family:{FAMILY}",
        "text": f"fill:{ink['ink']};font-size:{f:g}px",
        ".b": "font-weight:700",
        ".i": "font-style:italic",
        ".s": f"font-size:{0.84 * f:.1f}px;fill:{ink['ink2']}",
        ".sk": f"font-size:{0.84 * f:.1f}px",
        ".ly": f"font-size:{0.9 * f:.1f}px",
        ".r": f"font-size:{1.1 * f:.1f}px;font-weight:700",
        ".v": f"fill:{ink['spot']}",
        ".title": f"font-size:{1.5 * f:.1f}px;font-weight:700",
        ".doubt": f"stroke:{ink['paper']};stroke-width:{0.22 * f:.1f}px;paint-order:stroke",
        ".ground": f"fill:{ink['paper']}",
    }


def _line_rules(
    f: float, ink: dict[str, str], weight: dict[str, str], dash: Callable[..., str]
) -> dict[str, str]:
    """Lanes, bar lines, curves."""
    return {
        ".ln": "fill:none;stroke-linejoin:round",
        ".lane": f"stroke:{ink['rule']};stroke-width:{weight['lane']}",
        ".off": f"stroke-dasharray:{max(0.06 * f, 1):.1f} {0.34 * f:.1f};stroke-linecap:round",
        ".home": f"stroke:{ink['ink']};stroke-width:{weight['home']}",
        ".hair": f"stroke:{ink['ink']};stroke-width:{weight['hair']}",
        ".bar": f"stroke:{ink['rule']};stroke-width:{weight['bar']}",
        ".end": f"stroke:{ink['ink']};stroke-width:{weight['end']}",
        ".close": f"stroke:{ink['ink']};stroke-width:{weight['close']}",
        ".bracket": f"stroke:{ink['ink']};stroke-width:{weight['bracket']};stroke-linejoin:miter",
        ".bracket.v": f"stroke:{ink['spot']};stroke-dasharray:{dash(0.36, 0.18)};fill:none",
        ".slur": f"stroke:{ink['ink']};stroke-width:{weight['bracket']};stroke-linecap:round",
        ".glide": f"stroke:{ink['ink']};stroke-width:{weight['glide']};stroke-linecap:round",
        ".body": f"stroke:{ink['ink']};stroke-width:{weight['body']}",
        ".was": f"stroke:{ink['ink']};stroke-width:{weight['was']}",
        ".halo": f"stroke:{ink['paper']};stroke-width:{weight['halo']}",
        ".new": f"stroke:{ink['spot']};stroke-width:{weight['new']};"
        f"stroke-dasharray:{dash(0.5, 0.16)}",
        ".newglide": f"stroke:{ink['spot']};stroke-width:{weight['newglide']};"
        f"stroke-dasharray:{dash(0.2, 0.12)}",
        ".curve": f"stroke:{ink['ink']};stroke-width:{weight['curve']}",
        ".curve.v": f"fill:none;stroke:{ink['spot']};stroke-dasharray:{dash(0.36, 0.18)}",
    }


def _sign_rules(f: float, ink: dict[str, str], weight: dict[str, str]) -> dict[str, str]:
    """Noteheads, signs of endings, arrows."""
    return {
        ".head": f"fill:{ink['ink']}",
        ".head.hollow": f"fill:{ink['paper']};stroke:{ink['ink']};stroke-width:{weight['was']}",
        ".head.v": f"fill:{ink['spot']}",
        ".shape .case": f"fill:{ink['paper']}",
        ".shape .fill": f"fill:{ink['ink']}",
        ".shape .edge": f"fill:none;stroke:{ink['ink']};stroke-width:{weight['edge']}",
        ".shape.v .fill": f"fill:{ink['spot']}",
        ".shape.v .edge": f"stroke:{ink['spot']}",
        ".arrow": f"stroke:{ink['spot']};stroke-width:{weight['arrow']}",
        ".tip": f"fill:{ink['spot']};stroke:{ink['paper']};stroke-width:{0.05 * f:.2f}px",
        ".hatch": f"stroke:{ink['spot']};stroke-width:{weight['lane']}",
        ".play": f"stroke:{ink['ink']};stroke-width:{weight['play']}",
        ".hit": "fill:none;pointer-events:all",
        ".crop": f"stroke:{ink['ink']};stroke-width:{weight['play']}",
    }
