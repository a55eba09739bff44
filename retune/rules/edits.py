"""The edit of one note, told in full."""

from __future__ import annotations

from retune.carriers.changes import Edit
from retune.carriers.heard import Analysis, Note
from retune.rules.targets import Goal
from retune.song.bartime import judged_bar
from retune.theory.spelling import degree_of_name, pitch_name
from retune.theory.tensionmodels import stability


def note_edit(stem: str, note: Note, goal: Goal, rule: str, analysis: Analysis) -> Edit:
    """The edit that moves one note, with names and degrees before and after. `role_after` is
    left to `scene.with_roles`, which knows what else the plan moves."""
    key = analysis.key_at(note.start_s)
    to_name = goal.name or pitch_name(goal.midi, key, note.chord)
    return Edit(
        stem=stem,
        start_s=note.start_s,
        end_s=note.end_s,
        shift_cents=goal.shift_cents,
        glide=goal.glide,
        vibrato=goal.vibrato,
        formants=goal.formants,
        tail=goal.tail,
        rule=rule,
        note=note.index,
        from_name=note.name,
        to_name=to_name,
        from_degree=note.degree,
        to_degree=degree_of_name(to_name, key) if key else None,
        bar=judged_bar(note, analysis.bars),
        phrase=note.phrase,
        chord=(note.chord.typed or note.chord.label) if note.chord else None,
        role_before=note.chord_role,
        stability_before=note.stability,
        stability_after=stability(goal.midi, key) if key else None,
    )
