"""From rules to a plan: every note claimed by at most one rule, moved once, told in full.

All rules match the original notes, so two degrees can be swapped in one variant. The later of
two rules that claim a note wins; `keep` protects a note from every rule.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from retune.core.carriers import MONOPHONIC_ROLES, Analysis, Edit, Note, Plan, StemAnalysis
from retune.core.errors import InputError, RuleError
from retune.rules.consequences import consequences_of, roles_over_the_band
from retune.rules.edits import note_edit
from retune.rules.follow import followers
from retune.rules.match import matched_notes, matched_spans
from retune.rules.model import Interval, Rule
from retune.rules.parse import parse_rules
from retune.rules.targets import Goal, NoGoal, followed, goal_of_interval, goal_of_target

DOUBTFUL = 0.5
"""A note with less confidence than this is never moved without a warning."""


@dataclass(frozen=True)
class Claim:
    """A note (or, without one, a span) that a rule moves."""

    rule: str
    note: Note
    goal: Goal


@dataclass
class Draft:
    """A plan in the making."""

    analysis: Analysis
    claims: dict[tuple[str, int], Claim] = field(default_factory=dict)
    kept: set[tuple[str, int]] = field(default_factory=set)
    kept_spans: list[tuple[str, float, float]] = field(default_factory=list)
    spans: list[Edit] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    def warn(self, line: str) -> None:
        if line not in self.warnings:
            self.warnings.append(line)


def make_plan(
    analysis: Analysis,
    rules: Sequence[str],
    *,
    name: str = "rules",
    follow: Mapping[str, str] | None = None,
) -> Plan:
    """What rules move in a song, and what follows from it.

    Parameters
    ----------
    analysis : Analysis
        The song as sung.
    rules : sequence of str
        Sentences, one rule each.
    name : str
        Name of the variant.
    follow : mapping of stem to "keep", "scale steps" or "semitones"
        How harmony stems go with the melody; doubles always follow exactly.

    Returns
    -------
    Plan
        Edits in order of time, none overlapping another of its stem; consequences; warnings.

    Raises
    ------
    RuleError
        A rule does not read.
    InputError
        A rule names a place that the song has not.
    """
    read = parse_rules(rules, stems=list(analysis.stems))
    draft = Draft(analysis)
    for rule in read:
        try:
            _apply(rule, draft)
        except RuleError:
            raise
        except InputError as error:
            raise type(error)(f'rule "{rule}": {error}') from error
    for place in draft.kept & set(draft.claims):
        del draft.claims[place]
    edits = [_edit(stem, claim, analysis) for (stem, _), claim in draft.claims.items()]
    edits += followers(analysis, edits, follow or {}, draft.kept)
    plan = Plan(
        edits=tuple(_apart([*edits, *draft.spans], draft)),
        warnings=tuple(draft.warnings),
        rules=tuple(str(rule) for rule in read),
        name=name,
    )
    plan = replace(plan, edits=roles_over_the_band(analysis, plan))
    return replace(plan, consequences=consequences_of(analysis, plan))


def _apply(rule: Rule, draft: Draft) -> None:
    for stem in _stems_of(rule, draft.analysis):
        if stem.role in MONOPHONIC_ROLES or stem.role == "mix":
            _apply_to_notes(rule, stem, draft)
        else:
            _apply_to_whole(rule, stem, draft)


def _stems_of(rule: Rule, analysis: Analysis) -> list[StemAnalysis]:
    if rule.stems:
        return [analysis.stems[name] for name in rule.stems]
    melody = analysis.melody
    if melody is None:
        raise InputError('the song has no stem with role = "melody": name a stem in the rule')
    return [melody]


# --- single notes ----------------------------------------------------------------------------


def _apply_to_notes(rule: Rule, stem: StemAnalysis, draft: Draft) -> None:
    notes = matched_notes(rule, stem, draft.analysis)
    if not notes:
        draft.warn(_matches_nothing(rule, stem, draft.analysis))
        return
    if rule.action == "keep":
        for note in notes:
            draft.kept |= {(stem.name, part.index) for part in _with_parts(note, stem)}
        return
    still = 0
    for note in notes:
        goal = _goal(rule, note, draft.analysis)
        if isinstance(goal, NoGoal):
            draft.warn(f'rule "{rule}": {_where(note)} stays: {goal.why}')
            continue
        if goal.remark:
            draft.warn(f'rule "{rule}": {_where(note)}: {goal.remark}')
        if abs(goal.shift_cents) < 1e-9:
            still += 1
            continue
        for part, part_goal in _goals_of_parts(note, goal, stem, draft.analysis):
            _claim(rule, stem, part, part_goal, draft)
    if still:
        notes_are = "1 note is" if still == 1 else f"{still} notes are"
        draft.warn(f'rule "{rule}": {notes_are} there already; no edit')


def _goal(rule: Rule, note: Note, analysis: Analysis) -> Goal | NoGoal:
    key = analysis.key_at(note.start_s)
    if rule.target is not None:
        return goal_of_target(note, rule.target, key)
    assert isinstance(rule.interval, Interval)
    return goal_of_interval(note, rule.interval, key)


def _with_parts(note: Note, stem: StemAnalysis) -> list[Note]:
    """A phrase ending with what belongs to it: its re-struck pitch and its tail."""
    if not note.is_phrase_ending:
        return [note]
    parts = [n for n in stem.notes if note.index in (n.ending_of, n.tail_of)]
    return [note, *(part for part in parts if part.index != note.index)]


def _goals_of_parts(
    note: Note, goal: Goal, stem: StemAnalysis, analysis: Analysis
) -> list[tuple[Note, Goal]]:
    """The re-struck pitch goes where the ending goes; the tail follows it by scale steps."""
    goals = [(note, goal)]
    key = analysis.key_at(note.start_s)
    for part in _with_parts(note, stem)[1:]:
        if goal.shift_cents % 100 or part.ending_of == note.index:
            midi = part.midi_name + goal.midi - note.midi_name
            goals.append((part, Goal(midi, goal.shift_cents)))
        else:
            midi = followed(part, note.midi_name, goal.midi, key)
            goals.append((part, Goal(midi, 100.0 * (midi - part.midi_name))))
    return goals


def _claim(rule: Rule, stem: StemAnalysis, note: Note, goal: Goal, draft: Draft) -> None:
    place = (stem.name, note.index)
    before = draft.claims.get(place)
    if before is not None and before.rule != str(rule):
        draft.warn(f'{_where(note)} is claimed by two rules; the later wins: "{rule}"')
    if note.confidence < DOUBTFUL:
        why = note.doubt or "the tracker is unsure"
        draft.warn(f"{_where(note)} is doubtful ({why}): listen before you trust this edit")
    draft.claims[place] = Claim(str(rule), note, goal)


def _where(note: Note) -> str:
    bar = "" if note.bar is None else f", bar {note.bar}"
    return f"{note.name} at {note.start_s:.2f} s{bar}"


def _edit(stem: str, claim: Claim, analysis: Analysis) -> Edit:
    note, goal = claim.note, claim.goal
    return note_edit(stem, note, goal.midi, goal.shift_cents, claim.rule, analysis)


# --- stems that move as a whole ----------------------------------------------------------------


def _apply_to_whole(rule: Rule, stem: StemAnalysis, draft: Draft) -> None:
    analysis = draft.analysis
    if rule.what is not None or rule.action == "move":
        draft.warn(
            f'rule "{rule}": stem {stem.name} ({stem.role}) is not one voice, so it has no notes '
            f'to {rule.action}; write "shift {stem.name} ..."'
        )
        return
    spans = matched_spans(rule, analysis)
    if not spans:
        draft.warn(f'rule "{rule}": nothing of stem {stem.name} lies there')
    if rule.action == "keep":
        draft.kept_spans += [(stem.name, start, end) for start, end in spans]
        return
    if stem.role == "unpitched":
        draft.warn(f'rule "{rule}": stem {stem.name} is unpitched and stays as it is')
        return
    assert isinstance(rule.interval, Interval)
    if rule.interval.unit == "scale step":
        draft.warn(f'rule "{rule}": a whole stem moves by semitones or cents, not by scale steps')
        return
    unit = {"semitone": 100.0, "cent": 1.0, "octave": 1200.0}[rule.interval.unit]
    cents = rule.interval.amount * unit * (1 if rule.interval.direction == "up" else -1)
    for start_s, end_s in spans:
        chord = analysis.chord_at(start_s)
        draft.spans.append(
            Edit(
                stem=stem.name,
                start_s=start_s,
                end_s=end_s,
                shift_cents=cents,
                rule=str(rule),
                bar=_bar_at(start_s, analysis),
                chord=(chord.typed or chord.label) if chord else None,
            )
        )


def _bar_at(time_s: float, analysis: Analysis) -> int:
    return sum(downbeat <= time_s + 1e-6 for downbeat in analysis.bars.downbeats_s)


def _apart(edits: Sequence[Edit], draft: Draft) -> list[Edit]:
    """Edits in order of time; where two of a stem overlap the later claim wins the overlap."""
    result: list[Edit] = []
    for edit in edits:
        pieces = [edit]
        if edit.note is None:
            for stem, start_s, end_s in draft.kept_spans:
                if stem == edit.stem:
                    pieces = [part for piece in pieces for part in _cut(piece, start_s, end_s)]
            for other in list(result):
                if other.stem == edit.stem and other.note is None and _overlap(other, edit):
                    draft.warn(
                        f"stem {edit.stem} is claimed twice from {edit.start_s:.2f} s; "
                        f'the later wins: "{edit.rule}"'
                    )
                    result.remove(other)
                    result += _cut(other, edit.start_s, edit.end_s)
        result += pieces
    return _trimmed(sorted(result, key=lambda edit: (edit.start_s, edit.stem)))


def _overlap(first: Edit, second: Edit) -> bool:
    return first.start_s < second.end_s - 1e-9 and second.start_s < first.end_s - 1e-9


def _cut(edit: Edit, start_s: float, end_s: float) -> list[Edit]:
    if not (edit.start_s < end_s and start_s < edit.end_s):
        return [edit]
    ends = [(edit.start_s, min(start_s, edit.end_s)), (max(end_s, edit.start_s), edit.end_s)]
    return [replace(edit, start_s=a, end_s=b) for a, b in ends if b - a > 1e-6]


def _trimmed(edits: list[Edit]) -> list[Edit]:
    """Notes of one stem never overlap; a correction may still have pushed one into the next."""
    last: dict[str, int] = {}
    for place, edit in enumerate(edits):
        before = last.get(edit.stem)
        if before is not None and edits[before].end_s > edit.start_s:
            edits[before] = replace(edits[before], end_s=edit.start_s)
        last[edit.stem] = place
    return [edit for edit in edits if edit.end_s - edit.start_s > 1e-6]


# --- what there is to match --------------------------------------------------------------------


def _matches_nothing(rule: Rule, stem: StemAnalysis, analysis: Analysis) -> str:
    """A warning that shows what a rule could have matched."""
    have = ""
    kind = getattr(rule.what, "kind", None)
    if kind == "phrase-ending":
        ends = [
            f"phrase {phrase.index} on {phrase.ending_degree or '?'}" for phrase in stem.phrases
        ]
        have = f"; phrases end: {', '.join(ends) or 'none found'}"
    elif kind is not None:
        degrees = sorted({note.degree for note in stem.notes if note.degree})
        have = f"; {stem.name} sings degrees {', '.join(degrees) or 'none'}"
    elif stem.notes:
        names = dict.fromkeys(
            note.name for note in sorted(stem.notes, key=lambda note: note.midi_name)
        )
        have = f"; {stem.name} has the notes {', '.join(names)}"
    bars = max((note.bar for note in stem.notes if note.bar is not None), default=0)
    return f'rule "{rule}" matches nothing{have} ({len(stem.phrases)} phrases, bars 0 to {bars})'
