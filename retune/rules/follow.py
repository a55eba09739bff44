"""Stems that go with the melody: doubles exactly, harmonies as the song file says."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from retune.carriers.changes import Edit
from retune.carriers.heard import Analysis, Note, StemAnalysis
from retune.carriers.text import counted
from retune.rules.edits import note_edit
from retune.rules.targets import Goal, followed
from retune.theory.pitchnames import parse_pitch_name

TOGETHER = 0.5
"""A note goes with another when at least this share of it sounds together with it."""
BESIDE = 0.25
"""A note that stays is worth a word where so much of the shorter of the two sounds together."""
MOST_TOLD = 4
"""So many notes are told of a harmony that stays, which may be meant."""
AT_ONCE_S = 0.1
"""A double's note of the same name that begins within this time of the melody's is its own."""


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
            for note in _goes_with(stem, edit):
                if (stem.name, note.index) not in claimed:
                    claimed.add((stem.name, note.index))
                    found.append(_following(stem, note, edit, how, analysis))
    return found


def left_behind(
    analysis: Analysis,
    edits: Sequence[Edit],
    follow: Mapping[str, str],
    *,
    settled: set[tuple[str, int]],
) -> list[str]:
    """A line for each note that is still sung while the melody it goes with has moved on: of a
    double, and of a harmony that is to stay, the same note, of a harmony that is told to follow
    any. What else a harmony holds on to is one line a stem. Notes that a rule claimed or kept stay
    on purpose."""
    melody = analysis.melody
    if melody is None:
        return []
    moved = {(edit.stem, edit.note) for edit in edits} | settled
    leading = [e for e in edits if e.stem == melody.name and e.note is not None and e.shift_cents]
    told, stays = [], dict[str, list[Note]]()
    for edit in leading:
        for stem in analysis.stems.values():
            is_to_stay = stem.role == "double" or follow.get(stem.name, "keep") == "keep"
            for note in _beside(stem, edit, moved):
                if _is_same_note(note, edit) or not is_to_stay:
                    told.append(
                        f"stem {stem.name} still sings {note.name} in bar {note.bar} "
                        f"where the melody moves from {edit.from_name} to {edit.to_name}"
                    )
                elif stem.role == "harmony":
                    stays.setdefault(stem.name, []).append(note)
    return told + [_stays(name, notes) for name, notes in stays.items()]


def _beside(stem: StemAnalysis, edit: Edit, moved: set[tuple[str, int | None]]) -> list[Note]:
    """The notes of a double or harmony that stay beside a moved one."""
    if stem.role not in ("double", "harmony"):
        return []
    beside = (note for note in stem.notes if _sounds_beside(note, edit))
    return [note for note in beside if (stem.name, note.index) not in moved]


def _stays(name: str, notes: Sequence[Note]) -> str:
    in_order = sorted({note.index: note for note in notes}.values(), key=lambda note: note.start_s)
    first = [f"{note.name} in bar {note.bar}" for note in in_order[:MOST_TOLD]]
    rest = len(in_order) - len(first)
    more = [f"{counted(rest, 'note')} more"] if rest else []
    return (
        f"stem {name} stays where the melody beside it moves: {', '.join([*first, *more])}; to "
        'take it along, give it when_melody_moves = "scale steps" or "semitones"'
    )


def _sounds_beside(note: Note, edit: Edit) -> bool:
    common = min(note.end_s, edit.end_s) - max(note.start_s, edit.start_s)
    return common > BESIDE * min(note.end_s - note.start_s, edit.end_s - edit.start_s)


def _is_same_note(note: Note, edit: Edit) -> bool:
    """Whether a note has the name that the edit moves, in any octave."""
    if edit.from_name is None:
        return False
    return (note.midi_name - parse_pitch_name(edit.from_name)) % 12 == 0


def _goes_with(stem: StemAnalysis, edit: Edit) -> Iterable[Note]:
    """The notes of a stem that go with a moved one: those that sound with it, and of a double
    those that begin with it on the same name, however long they last."""
    found = list(sounds_with(stem, edit.start_s, edit.end_s))
    if stem.role == "double":
        found += [
            note
            for note in stem.notes
            if note not in found
            and abs(note.start_s - edit.start_s) <= AT_ONCE_S
            and _is_same_note(note, edit)
        ]
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
