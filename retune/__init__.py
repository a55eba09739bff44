"""retune: an audio what-if workbench for the endings of sung phrases.

    song = retune.open("song.toml")
    plan = song.plan("move phrase-ending degree 2 to degree 1")
    rendition = song.render(plan)
    page = song.compare(plan, out="page.html")

or, in one line each, `retune.analyze("song.toml")`, `retune.plan(...)`, `retune.render(...)` and
`retune.compare("song.toml", out="page.html")`.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from retune.carriers.changes import Plan, Rendition
    from retune.carriers.errors import RetuneError
    from retune.carriers.heard import Analysis
    from retune.pipeline.forms import analyze, compare, plan, render
    from retune.pipeline.opensong import OpenSong
    from retune.pipeline.opensong import open_song as open

__version__ = "0.1.0"
__all__ = [
    "Analysis",
    "OpenSong",
    "Plan",
    "Rendition",
    "RetuneError",
    "analyze",
    "compare",
    "open",
    "plan",
    "render",
]

_HOME = {
    "Analysis": ("carriers.heard", "Analysis"),
    "OpenSong": ("pipeline.opensong", "OpenSong"),
    "Plan": ("carriers.changes", "Plan"),
    "Rendition": ("carriers.changes", "Rendition"),
    "RetuneError": ("carriers.errors", "RetuneError"),
    "analyze": ("pipeline.forms", "analyze"),
    "compare": ("pipeline.forms", "compare"),
    "open": ("pipeline.opensong", "open_song"),
    "plan": ("pipeline.forms", "plan"),
    "render": ("pipeline.forms", "render"),
}


def __getattr__(name: str) -> object:
    if name in _HOME:
        module, own = _HOME[name]
        return getattr(importlib.import_module(f"{__name__}.{module}"), own)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
