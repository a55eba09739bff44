"""The one place where the rooms meet: open, analyze, plan, render, compare.

Every function takes a song as a path, a `Song` or an `OpenSong`, and returns a carrier of
`retune.carriers` (or writes files and says which).
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from retune.pipeline.comparing import compare, compare_page
    from retune.pipeline.demo import demo_folder, write_demo
    from retune.pipeline.exporting import export
    from retune.pipeline.opening import OpenSong, analyze, open_song
    from retune.pipeline.planning import plan, plans_of
    from retune.pipeline.rendering import render, render_control
    from retune.pipeline.suggesting import suggest
    from retune.pipeline.verifying import verify
    from retune.pipeline.writing import write_versions

_HOME = {
    "OpenSong": "opening",
    "open_song": "opening",
    "analyze": "opening",
    "plan": "planning",
    "plans_of": "planning",
    "render": "rendering",
    "render_control": "rendering",
    "suggest": "suggesting",
    "write_versions": "writing",
    "verify": "verifying",
    "compare": "comparing",
    "compare_page": "comparing",
    "demo_folder": "demo",
    "export": "exporting",
    "write_demo": "demo",
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


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(importlib.import_module(f"{__name__}.{_HOME[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
