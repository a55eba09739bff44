"""How a rule names one note: by the beat it is sung on, where that finds it again, else by the
clock."""

from __future__ import annotations

from retune.carriers.errors import InputError
from retune.carriers.heard import Analysis, Note, StemAnalysis
from retune.rules.match import note_at
from retune.rules.scopes import Time

PARTS = (1, 2, 4, 3, 6)
"""Of a beat: the coarsest grid that finds the note is taken."""


def place_of(note: Note, stem: StemAnalysis, analysis: Analysis) -> Time:
    """The moment that names a note in a rule: "9:1", "9:2.5", or "12.4s"."""
    if note.bar is not None and note.beat is not None and note.bar >= 0:
        for parts in PARTS:
            beat = round(round(note.beat * parts) / parts, 6)
            time = Time(bar=note.bar, beat=beat)
            is_inside = 1 <= beat < analysis.bars.beats_in(note.bar) + 1
            if is_inside and _finds(time, note, stem, analysis):
                return time
    return Time(seconds=round((note.start_s + min(note.end_s, note.start_s + 0.2)) / 2, 2))


def _finds(time: Time, note: Note, stem: StemAnalysis, analysis: Analysis) -> bool:
    try:
        return [n.index for n in note_at(time, stem, analysis)] == [note.index]
    except InputError:
        return False
