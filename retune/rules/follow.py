"""Stems that go with the melody: doubles exactly, harmonies as the song file says."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from retune.carriers.changes import Edit
from retune.carriers.heard import Analysis, Note, StemAnalysis
from retune.rules.edits import note_edit
from retune.rules.targets import Goal, followed
from retune.theory.pitchnames import parse_pitch_name

TOGETHER = 0.5
"""A note goes with another when at least this share of it sounds together with it."""


def followers(
    analysis: Analysis,
    edits: Sequence[Edit],
    follow: Mapping[str, str],
    *,
    settled: set[tuple[str, int]],
) -> list[Edit]:
    """The edits of doubles and harmonies that go with the melody's.

    A double follows exactly. A harmony follows by "scale steps" or "semitones" when its stem
    says so; "keep" leaves it. Notes in `settled`, which a rule itself claimed or kept, are left to
    that rule.
    """
    melody = analysis.melody
    if melody is None:
        return []
    leading = [edit for edit in edits if edit.stem == melody.name and edit.note is not None]
    claimed = set(settled)
    found: list[Edit] = []
    for stem in analysis.stems.values():
        how = "exactly" if stem.role == "double" else follow.get(stem.name, "keep")
        if stem.role not in ("double", "harmony") or how == "keep":
            continue
        for edit in leading:
            for note in sounds_with(stem, edit.start_s, edit.end_s):
                if (stem.name, note.index) not in claimed:
                    claimed.add((stem.name, note.index))
                    found.append(_following(stem, note, edit, how, analysis))
    return found


def sounds_with(stem: StemAnalysis, start_s: float, end_s: float) -> Iterable[Note]:
    """The notes of a stem that for the most part sound between these times."""
    for note in stem.notes:
        common = min(note.end_s, end_s) - max(note.start_s, start_s)
        if common >= TOGETHER * (note.end_s - note.start_s) > 0:
            yield note


def _following(stem: StemAnalysis, note: Note, edit: Edit, how: str, analysis: Analysis) -> Edit:
    key = analysis.key_at(note.start_s)
    semitones = round(edit.shift_cents / 100)
    if how == "scale steps" and edit.from_name and edit.to_name and edit.shift_cents % 100 == 0:
        leader = parse_pitch_name(edit.from_name), parse_pitch_name(edit.to_name)
        midi = followed(note, *leader, key)
        cents = 100.0 * (midi - note.midi_name)
    else:
        midi, cents = note.midi_name + semitones, edit.shift_cents
    return note_edit(stem.name, note, Goal(midi, cents), edit.rule, analysis)
