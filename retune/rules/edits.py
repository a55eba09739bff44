"""The edit of one note, told in full."""

from __future__ import annotations

from retune.core.carriers import Analysis, Edit, Key, Note
from retune.core.keys import degree_of
from retune.core.pitch import pitch_name
from retune.core.roles import chord_member
from retune.core.tension import stability


def note_edit(
    stem: str, note: Note, midi: int, shift_cents: float, rule: str, analysis: Analysis
) -> Edit:
    """The edit that moves one note, with names, degrees and roles before and after."""
    key = analysis.key_at(note.start_s)
    role_after = chord_member(midi, note.chord) or ("non-chord tone" if note.chord else None)
    return Edit(
        stem=stem,
        start_s=note.start_s,
        end_s=note.end_s,
        shift_cents=shift_cents,
        rule=rule,
        note=note.index,
        from_name=note.name,
        to_name=pitch_name(midi, key),
        from_degree=note.degree,
        to_degree=degree_of(midi, key) if key else None,
        bar=note.bar,
        phrase=note.phrase,
        chord=(note.chord.typed or note.chord.label) if note.chord else None,
        role_before=note.chord_role,
        role_after=note.chord_role if midi == note.midi_name else role_after,
        stability_before=note.stability,
        stability_after=_stability(midi, key),
    )


def _stability(midi: int, key: Key | None) -> float | None:
    return None if key is None else stability(midi, key)
