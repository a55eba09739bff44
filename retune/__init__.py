"""retune: an audio what-if workbench for the endings of sung phrases.

    song = retune.open("song.toml")
    plan = song.plan("move phrase-ending degree 2 to degree 1")
    rendition = song.render(plan)
    page = song.compare(plan, out="page.html")

or, in one line each, `retune.analyze("song.toml")`, `retune.plan(...)`, `retune.render(...)` and
`retune.compare("song.toml", out="page.html")`. A notebook shows an analysis and a plan;
`song.picture(plan)` draws and `song.play(plan, phrase=2)` sounds. Every public name is on the page
`retune help python`.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from retune.carriers.changes import Plan, Rendition
    from retune.carriers.errors import RetuneError
    from retune.carriers.heard import Analysis, Key
    from retune.comparison.displayed import Picture, Sound
    from retune.comparison.page_input import PageInput
    from retune.comparison.shares import share_of
    from retune.comparison.statistics import power, trials_needed
    from retune.comparison.study_page import endings_picture
    from retune.pipeline.demo import write_demo
    from retune.pipeline.forms import analyze, compare, plan, render
    from retune.pipeline.opensong import OpenSong
    from retune.pipeline.opensong import open_song as open
    from retune.theory.keys import degree_of

__version__ = "1.0.0"
__all__ = [
    "Analysis",
    "Key",
    "OpenSong",
    "PageInput",
    "Picture",
    "Plan",
    "Rendition",
    "RetuneError",
    "Sound",
    "analyze",
    "compare",
    "degree_of",
    "endings_picture",
    "open",
    "plan",
    "power",
    "render",
    "share_of",
    "trials_needed",
    "write_demo",
]

_HOME = {
    "Analysis": ("carriers.heard", "Analysis"),
    "Key": ("carriers.heard", "Key"),
    "OpenSong": ("pipeline.opensong", "OpenSong"),
    "PageInput": ("comparison.page_input", "PageInput"),
    "Picture": ("comparison.displayed", "Picture"),
    "Plan": ("carriers.changes", "Plan"),
    "Rendition": ("carriers.changes", "Rendition"),
    "RetuneError": ("carriers.errors", "RetuneError"),
    "Sound": ("comparison.displayed", "Sound"),
    "analyze": ("pipeline.forms", "analyze"),
    "compare": ("pipeline.forms", "compare"),
    "degree_of": ("theory.keys", "degree_of"),
    "endings_picture": ("comparison.study_page", "endings_picture"),
    "open": ("pipeline.opensong", "open_song"),
    "plan": ("pipeline.forms", "plan"),
    "power": ("comparison.statistics", "power"),
    "render": ("pipeline.forms", "render"),
    "share_of": ("comparison.shares", "share_of"),
    "trials_needed": ("comparison.statistics", "trials_needed"),
    "write_demo": ("pipeline.demo", "write_demo"),
}


def __getattr__(name: str) -> object:
    if name in _HOME:
        module, own = _HOME[name]
        return getattr(importlib.import_module(f"{__name__}.{module}"), own)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
