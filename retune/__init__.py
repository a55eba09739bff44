"""retune: an audio what-if workbench for the endings of sung phrases.

analysis = retune.analyze("song.toml")
plan = retune.plan("song.toml", rules=["move phrase-ending degree 2 to degree 1"])
rendition = retune.render("song.toml", plan=plan)
page = retune.compare("song.toml", out="page.html")
"""

from __future__ import annotations

from typing import Any

__version__ = "0.1.0"
__all__ = ["analyze", "compare", "open_song", "plan", "render"]

_FROM_PIPELINE = ("analyze", "compare", "open_song", "plan", "render")


def __getattr__(name: str) -> Any:
    if name in _FROM_PIPELINE:
        from retune import pipeline

        return getattr(pipeline, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
