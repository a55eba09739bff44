"""The one place where the rooms meet: open, analyze, plan, render, compare.

Every function takes a song as a path, a `Song` or an `OpenSong`, and returns a carrier of
`retune.carriers` (or writes files and says which).
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from retune.pipeline.comparison_page import compare, compare_page
    from retune.pipeline.demo import demo_folder, write_demo
    from retune.pipeline.export_formats import export
    from retune.pipeline.rendition_files import write_versions
    from retune.pipeline.renditions import render, render_control
    from retune.pipeline.song_analysis import OpenSong, analyze, open_song
    from retune.pipeline.song_plan import plan, plans_of
    from retune.pipeline.suggestions import suggest
    from retune.pipeline.verification import verify

_HOME = {
    "OpenSong": "song_analysis",
    "open_song": "song_analysis",
    "analyze": "song_analysis",
    "plan": "song_plan",
    "plans_of": "song_plan",
    "render": "renditions",
    "render_control": "renditions",
    "suggest": "suggestions",
    "write_versions": "rendition_files",
    "verify": "verification",
    "compare": "comparison_page",
    "compare_page": "comparison_page",
    "demo_folder": "demo",
    "export": "export_formats",
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
