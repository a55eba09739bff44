"""Which rule moves which note, and where to: the draft of a plan.

All rules match the original notes, so two degrees can be swapped in one variant. The later of
two rules that claim a note wins; `keep` protects a note from every rule.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from retune.carriers.changes import Edit
from retune.carriers.heard import Analysis, Note, StemAnalysis
from retune.rules.match import matched_notes
from retune.rules.model import AS_SUNG, IN_TIME, Interval, Rule
from retune.rules.targets import Goal, NoGoal, followed, goal_of_interval, goal_of_target
from retune.rules.timing import Wish, wish_of
from retune.rules.unmatched import matches_nothing
from retune.song.moved import ADJACENT_S


@dataclass(frozen=True)
class Claim:
    """A note that a rule moves (or, at 0 cents, holds where it is). `with_ending` is set where
    the rule means the phrase ending that this note belongs to, not the note itself."""

    rule: str
    note: Note
    goal: Goal
    with_ending: bool = False


@dataclass
class Draft:
    """A plan in the making."""

    analysis: Analysis
    claims: dict[tuple[str, int], Claim] = field(default_factory=dict)
    kept: set[tuple[str, int]] = field(default_factory=set)
    kept_spans: list[tuple[str, float, float]] = field(default_factory=list)
    spans: list[Edit] = field(default_factory=list)
    wishes: list[Wish] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    def warn(self, line: str) -> None:
        """Add a warning, once."""
        if line not in self.warnings:
            self.warnings.append(line)

    def moved(self) -> list[tuple[str, Claim]]:
        """(stem, claim) of every note that moves, doubtful ones warned of."""
        left = [
            (stem, claim)
            for (stem, index), claim in self.claims.items()
            if (stem, index) not in self.kept and claim.goal.changes
        ]
        for _, claim in left:
            self.warn_of_doubt(claim.note)
        return left

    def warn_of_doubt(self, note: Note) -> None:
        """Warn of a note that moves and was not heard for certain."""
        if note.is_doubtful:
            why = note.doubt or "the tracker is not sure"
            self.warn(f"{where(note)} is in doubt ({why}): listen before you trust this edit")


def claim_notes(rule: Rule, stem: StemAnalysis, draft: Draft) -> None:
    """Let a rule claim the single notes of a stem that it matches."""
    notes = matched_notes(rule, stem, draft.analysis)
    if not notes:
        draft.warn(matches_nothing(rule, stem, draft.analysis))
        return
    if rule.action in IN_TIME:
        _wish(rule, stem, notes, draft)
        return
    if rule.action == "keep":
        for note in notes:
            draft.kept |= {(stem.name, part.index) for part in with_parts(note, stem)}
        return
    goals = {note.index: _goal(rule, note, stem, draft.analysis) for note in notes}
    for note in notes:
        goal = goals[note.index]
        if isinstance(goal, NoGoal):
            continue
        _claim(rule, stem, note, goal, draft)
        for part in with_parts(note, stem)[1:]:
            if part.index not in goals:
                _claim_part(rule, stem, note, goal, part, draft)
    _tell_goals(rule, [(note, goals[note.index]) for note in notes], draft)


def _wish(rule: Rule, stem: StemAnalysis, notes: Sequence[Note], draft: Draft) -> None:
    """Ask for other times of notes; what cannot be asked for is said, once for all like it."""
    said: dict[str, list[Note]] = {}
    for note in notes:
        wish = wish_of(rule, note, stem, draft.analysis)
        if isinstance(wish, Wish):
            draft.wishes.append(wish)
        else:
            said.setdefault(wish.why, []).append(note)
    for why, unmoved in said.items():
        draft.warn(f'rule "{rule}": {_some(unmoved)}: not moved: {why}')


def _tell_goals(rule: Rule, goals: Sequence[tuple[Note, Goal | NoGoal]], draft: Draft) -> None:
    """What there is to say of goals, once for all notes that it is true of."""
    said: dict[str, list[Note]] = {}
    for note, goal in goals:
        words = f"not moved: {goal.why}" if isinstance(goal, NoGoal) else goal.remark
        if words:
            said.setdefault(words, []).append(note)
    for words, notes in said.items():
        draft.warn(f'rule "{rule}": {_some(notes)}: {words}')
    still = sum(isinstance(g, Goal) and not g.changes for _, g in goals)
    if still:
        notes_are = "1 note is" if still == 1 else f"{still} notes are"
        draft.warn(f'rule "{rule}": {notes_are} there already; no edit')


def _some(notes: Sequence[Note]) -> str:
    """The first of some notes, and how many more there are."""
    more = f" and {len(notes) - 1} more" if len(notes) > 1 else ""
    return f"{where(notes[0])}{more}"


def _goal(rule: Rule, note: Note, stem: StemAnalysis, analysis: Analysis) -> Goal | NoGoal:
    key = analysis.key_at(note.start_s)
    if rule.target is not None:
        goal = goal_of_target(note, rule.target, key, stem)
    else:
        assert isinstance(rule.interval, Interval)
        goal = goal_of_interval(note, rule.interval, key)
    if isinstance(goal, NoGoal) or rule.manner == AS_SUNG:
        return goal
    cents = goal.shift_cents + rule.manner.cents
    glide = rule.manner.glide
    if glide and not _is_sung_into(note, stem):
        glide = ""
        remark = "; ".join(filter(None, (goal.remark, "no note runs into it to glide from")))
        goal = replace(goal, remark=remark)
    manner = rule.manner
    return replace(
        goal,
        shift_cents=cents,
        glide=glide,
        vibrato=manner.vibrato,
        formants=manner.formants,
        tail=manner.tail,
    )


def _is_sung_into(note: Note, stem: StemAnalysis) -> bool:
    """Whether the note before ends where this one begins, or a consonant before."""
    before = [n.end_s for n in stem.notes if n.start_s < note.start_s]
    return bool(before) and note.start_s - before[-1] < ADJACENT_S


def with_parts(note: Note, stem: StemAnalysis) -> Sequence[Note]:
    """A phrase ending with what belongs to it: its re-struck pitch and its tail."""
    if not note.is_phrase_ending:
        return [note]
    return [note, *(n for n in stem.notes if note.index in (n.ending_of, n.tail_of))]


def _claim(rule: Rule, stem: StemAnalysis, note: Note, goal: Goal, draft: Draft) -> None:
    before = draft.claims.get((stem.name, note.index))
    if before is not None and not before.with_ending and before.rule != str(rule):
        draft.warn(
            f'{where(note)} is claimed by two rules: "{before.rule}" and "{rule}"; the later wins'
        )
    draft.claims[stem.name, note.index] = Claim(str(rule), note, goal)


def _claim_part(
    rule: Rule, stem: StemAnalysis, ending: Note, goal: Goal, part: Note, draft: Draft
) -> None:
    """A re-struck pitch or tail goes with its ending, unless a rule means the note itself."""
    before = draft.claims.get((stem.name, part.index))
    if before is not None and not before.with_ending and before.rule != str(rule):
        draft.warn(
            f'{where(part)} belongs to the ending before it, but "{before.rule}" means the note '
            f'itself; it does not follow "{rule}"'
        )
        return
    claim = Claim(str(rule), part, _goal_of_part(rule, ending, goal, part, draft.analysis), True)
    draft.claims[stem.name, part.index] = claim


def _goal_of_part(rule: Rule, ending: Note, goal: Goal, part: Note, analysis: Analysis) -> Goal:
    """The re-struck pitch goes where the ending goes; the tail follows it by scale steps, in the
    ending's manner."""
    interval = rule.interval
    is_between = interval is not None and interval.unit == "cent" and interval.amount % 100 != 0
    if is_between or part.ending_of == ending.index:
        midi = part.midi_name + goal.midi - ending.midi_name
        name = goal.name if midi == goal.midi else ""
        return replace(goal, midi=midi, remark="", name=name, glide="")
    midi = followed(part, ending.midi_name, goal.midi, analysis.key_at(ending.start_s))
    cents = 100.0 * (midi - part.midi_name) + rule.manner.cents
    return replace(goal, midi=midi, shift_cents=cents, remark="", name="", glide="")


def where(note: Note) -> str:
    """A note in a warning."""
    bar = "" if note.bar is None else f", bar {note.bar}"
    return f"{note.name} at {note.start_s:.2f} s{bar}"
