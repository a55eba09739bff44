"""Room: analysis. From pitch tracks to notes, phrases, key, bars, chords and endings.

`analyze_song` is the door; `find_notes` hears the notes of one stem, `corrected_guide` those of a
mix with what a person put right; `warm_up` compiles the note decoder beforehand.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from retune.analysis.build import analyze_song
    from retune.analysis.corrections import Draft
    from retune.analysis.guided import corrected_guide
    from retune.analysis.note_hmm import warm_up
    from retune.analysis.note_trust import Heard
    from retune.analysis.notes import find_notes

__all__ = ["Draft", "Heard", "analyze_song", "corrected_guide", "find_notes", "warm_up"]

_HOMES = {
    "Draft": "corrections",
    "Heard": "note_trust",
    "analyze_song": "build",
    "corrected_guide": "guided",
    "find_notes": "notes",
    "warm_up": "note_hmm",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
