"""Room: analysis. From pitch tracks to notes, phrases, key, bars, chords and endings.

`listen_to` hears a song, `analyze_song` reasons on that and on what a person put right;
`find_notes` hears the notes of one stem, `corrected_guide` those of a mix with what a person put
right; `warm_up` compiles the note decoder beforehand.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from retune.analysis.build import analyze_song
    from retune.analysis.corrections import Draft
    from retune.analysis.guided import corrected_guide
    from retune.analysis.listened import Listened, listen_to
    from retune.analysis.note_hmm import warm_up
    from retune.analysis.note_trust import Heard
    from retune.analysis.notes import find_notes

__all__ = [
    "Draft",
    "Heard",
    "Listened",
    "analyze_song",
    "corrected_guide",
    "find_notes",
    "listen_to",
    "warm_up",
]

_HOMES = {
    "Draft": "corrections",
    "Heard": "note_trust",
    "Listened": "listened",
    "analyze_song": "build",
    "corrected_guide": "guided",
    "find_notes": "notes",
    "listen_to": "listened",
    "warm_up": "note_hmm",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
