"""Moves in time put into a plan: settled stem by stem, followed by doubles, joined to pitch."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from retune.carriers.changes import Edit
from retune.carriers.heard import Analysis, Note, StemAnalysis
from retune.rules.claims import Draft, where
from retune.rules.edits import note_edit
from retune.rules.follow import sounds_with
from retune.rules.room import settle, times_of
from retune.rules.targets import Goal
from retune.rules.timing import Wish

STATED = (0.5, 2.5)
"""Factors of length that the engine is measured at (tests/bench/bench_timing.py)."""

Times = dict[tuple[str, int], tuple[float, float, str]]
"""Stem and note index to the note's new start and end and the rule that moves it."""


def moved_in_time(draft: Draft, follow: Mapping[str, str]) -> Times:
    """Where every note goes that a rule moves in time, and those of the stems that follow."""
    analysis, times = draft.analysis, Times()
    for name, stem in analysis.stems.items():
        times |= _settled(stem, [w for w in draft.wishes if w.stem == name], draft)
    for name, stem in analysis.stems.items():
        how = "exactly" if stem.role == "double" else follow.get(name, "keep")
        if stem.role in ("double", "harmony") and how != "keep":
            times |= _settled(stem, _following(stem, times, analysis), draft)
    for (name, index), (start_s, end_s, _) in times.items():
        _warn_of_factor(analysis.stems[name].note(index), end_s - start_s, draft)
    return times


def _settled(stem: StemAnalysis, wishes: Sequence[Wish], draft: Draft) -> Times:
    """What fits of the wishes of a stem; the rest is warned of."""
    free: list[Wish] = []
    for wish in wishes:
        kept = [index for index, _ in wish.ends if (stem.name, index) in draft.kept]
        if not kept:
            free.append(wish)
        elif wish.note.index not in kept:
            _refuse(wish, f"{where(stem.note(kept[0]))}, would move with it and is kept", draft)
    fits, refused = settle(stem, free, draft.analysis)
    for wish, why in refused:
        _refuse(wish, why, draft)
    moved = times_of(stem, fits)
    return {(stem.name, index): found for index, found in moved.items()}


def _refuse(wish: Wish, why: str, draft: Draft) -> None:
    draft.warn(f'rule "{wish.rule}": {where(wish.note)}: not moved: {why}')


def _following(stem: StemAnalysis, times: Times, analysis: Analysis) -> list[Wish]:
    """The notes of a double or harmony go as far as those of the melody that they sound with."""
    melody = analysis.melody
    if melody is None or melody.name == stem.name:
        return []
    own = {index for name, index in times if name == stem.name}
    wishes = []
    for (name, index), (start_s, end_s, rule) in times.items():
        if name != melody.name:
            continue
        leader = melody.note(index)
        for note in sounds_with(stem, leader.start_s, leader.end_s):
            if note.index not in own:
                ends = _along(note, leader, start_s, end_s)
                wishes.append(Wish(rule, stem.name, note, ends, may_shrink=True))
    return wishes


def _along(note: Note, leader: Note, start_s: float, end_s: float) -> dict[tuple[int, int], float]:
    ends = {}
    if start_s != leader.start_s:
        ends[note.index, 0] = note.start_s + start_s - leader.start_s
    if end_s != leader.end_s:
        ends[note.index, 1] = note.end_s + end_s - leader.end_s
    return ends


def _warn_of_factor(note: Note, length_s: float, draft: Draft) -> None:
    draft.warn_of_doubt(note)
    factor = round(length_s / (note.end_s - note.start_s), 1)
    if not STATED[0] <= factor <= STATED[1]:
        draft.warn(
            f"{where(note)} becomes {factor:g} times as long; beyond {STATED[0]:g} to "
            f"{STATED[1]:g} times a voice begins to sound stretched"
        )


def with_times(edits: Sequence[Edit], times: Times, analysis: Analysis) -> list[Edit]:
    """The edits with the times of the notes that move in time as well, and edits of those that
    move in time alone."""
    left = dict(times)
    found = []
    for edit in edits:
        moved = left.pop((edit.stem, edit.note or 0), None)
        found.append(edit if moved is None else _at(edit, moved))
    for (stem, index), moved in left.items():
        note = analysis.stems[stem].note(index)
        still = note_edit(stem, note, Goal(note.midi_name, 0.0, name=note.name), moved[2], analysis)
        found.append(_at(still, moved))
    return found


def _at(edit: Edit, moved: tuple[float, float, str]) -> Edit:
    return replace(edit, start_to_s=moved[0], end_to_s=moved[1])
