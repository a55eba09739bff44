"""Room: repitch. From a stem and its edits to the changed samples.

`render_stem` gives patches for the changed spans only; `render_control` the same spans moved
out and back; `together` makes one rendition of two of the same stem. `ENGINES` holds the ways to
do it, `choose_engine` says which one `auto` means, `offset_curve` how far each frame of a pitch
track moves.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from retune.repitch.glide import offset_curve
    from retune.repitch.mixed import together
    from retune.repitch.render import render_control, render_stem
    from retune.repitch.seam import ENGINES, Engine, Passage, choose_engine

__all__ = [
    "ENGINES",
    "Engine",
    "Passage",
    "choose_engine",
    "offset_curve",
    "render_control",
    "render_stem",
    "together",
]

_HOMES = {
    "ENGINES": "seam",
    "Engine": "seam",
    "Passage": "seam",
    "choose_engine": "seam",
    "offset_curve": "glide",
    "render_control": "render",
    "render_stem": "render",
    "together": "mixed",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
