"""Words of a picture that our own face cannot spell, taken out of it for Typst to set.

Inside an SVG file Typst looks for one other font for all of a text; where none has all its letters,
or a letter joins a mark, letters are left out without a word. Its own text finds a font for each.
"""

from __future__ import annotations

import re
from html import unescape
from typing import Any

# Latin letters, punctuation and the signs of our own pictures: all in the face that is shipped.
_OWN = (
    "\u0000-\u00ff\u0107\u010d\u0119\u0142\u0159\u0161\u017e\u2010-\u2014\u2018\u2019\u201c\u201d"
    "\u2022\u2026\u2032\u2033\u2190-\u2193\u2212\u2248\u2260\u2264\u2265\u266d\u266f"
)
_FOREIGN = re.compile(f"[^{_OWN}]")
_TEXT = re.compile(r"<text([^>]*)>([^<]*)</text>")
_FACT = re.compile(r'([\w-]+)="([^"]*)"')
_RULE = re.compile(r"\.[\w-]+ (text|\.[\w.]+)\{([^}]*)\}")
_ANCHORS = {"start": 0.0, "middle": 0.5, "end": 1.0}


def is_foreign(words: str) -> bool:
    """Whether some letter of `words` is not in the face that is shipped."""
    return _FOREIGN.search(words) is not None


def lifted(svg: str) -> tuple[str, list[dict[str, Any]]]:
    """A picture without its foreign texts, and those: place and size in its own units, "anchor" the
    share of a text's width that lies before its place, weight, slant and colour."""
    taken: list[dict[str, Any]] = []
    rules = _rules_of(svg)

    def take(match: re.Match[str]) -> str:
        words = unescape(match[2])
        if not is_foreign(words):
            return match[0]
        facts = dict(_FACT.findall(match[1]))
        look = _look(rules, facts.get("class", "").split())
        taken.append(
            {
                "text": words,
                "x": float(facts["x"]),
                "y": float(facts["y"]),
                "anchor": _ANCHORS[facts.get("text-anchor", "start")],
                "size": float(look.get("font-size", "16px").removesuffix("px")),
                "weight": int(look.get("font-weight", "400")),
                "style": look.get("font-style", "normal"),
                "fill": look.get("fill", "#000000"),
            }
        )
        return ""

    return _TEXT.sub(take, svg), taken


def _rules_of(svg: str) -> list[tuple[frozenset[str], dict[str, str]]]:
    """The rules of a picture's own style sheet for words, in order: classes, declarations."""
    return [
        (
            frozenset(name for name in selector.split(".") if name not in ("", "text")),
            dict(re.findall(r"([\w-]+):([^;]+)", body)),
        )
        for selector, body in _RULE.findall(svg)
    ]


def _look(rules: list[tuple[frozenset[str], dict[str, str]]], classes: list[str]) -> dict[str, str]:
    look: dict[str, str] = {}
    for needed, declared in sorted(rules, key=lambda rule: len(rule[0])):
        if needed <= set(classes):
            look |= declared
    return look
