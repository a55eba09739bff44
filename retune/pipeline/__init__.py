"""The one place where the rooms meet: open, analyze, plan, render, compare.

`open_song` gives the opened song (`opensong`); the other functions are its one-line forms
(`forms`). Beneath lie `inputs` (what a song is made from at one moment), `stages` (every result by
the contents it was made from), and one file for each step.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from retune.pipeline.demo import demo_folder, write_demo
    from retune.pipeline.forms import (
        analyze,
        compare,
        compare_page,
        export,
        plan,
        plans_of,
        render,
        render_control,
        suggest,
        write_versions,
    )
    from retune.pipeline.opensong import OpenSong, open_song
    from retune.pipeline.verification import verify

_HOME = {
    "OpenSong": "opensong",
    "analyze": "forms",
    "compare": "forms",
    "compare_page": "forms",
    "demo_folder": "demo",
    "export": "forms",
    "open_song": "opensong",
    "plan": "forms",
    "plans_of": "forms",
    "render": "forms",
    "render_control": "forms",
    "suggest": "forms",
    "verify": "verification",
    "write_demo": "demo",
    "write_versions": "forms",
}

__all__ = [
    "OpenSong",
    "analyze",
    "compare",
    "compare_page",
    "demo_folder",
    "export",
    "open_song",
    "plan",
    "plans_of",
    "render",
    "render_control",
    "suggest",
    "verify",
    "write_demo",
    "write_versions",
]


def __getattr__(name: str) -> object:
    if name in _HOME:
        return getattr(importlib.import_module(f"{__name__}.{_HOME[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
