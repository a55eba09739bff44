"""From rules to a plan: every note claimed by at most one rule, moved once, told in full."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from retune.carriers.changes import Edit, Plan, check_shift
from retune.carriers.errors import InputError, RuleError, UsageError
from retune.carriers.heard import MONOPHONIC_ROLES, Analysis, StemAnalysis
from retune.carriers.text import FROM_MIX
from retune.rules.claims import Draft, claim_notes
from retune.rules.consequences import consequences_of
from retune.rules.edits import note_edit
from retune.rules.follow import followers, left_behind
from retune.rules.model import AS_SUNG, Rule
from retune.rules.reading import parse_rules
from retune.rules.scene import Scene, with_roles
from retune.rules.timed import moved_in_time, with_times
from retune.rules.wholes import claim_spans, spans_apart


def _ways(analysis: Analysis) -> dict[str, str]:
    """How each stem goes with the melody, as the song file says."""
    return {name: stem.follow for name, stem in analysis.stems.items()}


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
        How harmony stems go with the melody, where it is not as the analysis says; doubles always
        follow exactly.

    Returns
    -------
    Plan
        Edits in order of time, none overlapping another of its stem; consequences; warnings.

    Raises
    ------
    RuleError
        A rule does not read.
    InputError
        A rule names a place that the song has not, or moves a note by more than an octave.
    """
    roles = {name: stem.role for name, stem in analysis.stems.items()}
    read = parse_rules(rules, stems=list(roles), roles=roles)
    draft = Draft(analysis)
    for rule in read:
        try:
            _apply(rule, draft)
        except RuleError:
            raise
        except InputError as error:
            raise type(error)(f'rule "{rule}": {error}') from error
    edits = [
        note_edit(stem, claim.note, claim.goal, claim.rule, analysis)
        for stem, claim in draft.moved()
    ]
    ways = _ways(analysis) if follow is None else follow
    settled = {*draft.claims, *draft.kept}
    going_along = followers(analysis, edits, ways, settled=settled)
    for line in left_behind(analysis, [*edits, *going_along], ways, settled=settled):
        draft.warn(line)
    for edit in going_along:
        if edit.note is not None:
            draft.warn_of_doubt(analysis.stems[edit.stem].note(edit.note))
    in_time = moved_in_time(draft, ways)
    of_notes = with_times([*edits, *going_along], in_time, analysis)
    ordered = _in_order([*of_notes, *spans_apart(draft)])
    _refuse_far(ordered)
    moved = [analysis.stems[edit.stem] for edit in ordered]
    plan = Plan(
        edits=ordered,
        caveat=FROM_MIX if any(s.role == "mix" or s.inside for s in moved) else "",
        warnings=tuple(draft.warnings),
        rules=tuple(str(rule) for rule in read),
        name=name,
    )
    scene = Scene(analysis, plan)
    told = with_roles(scene)
    if scene.band.keys != analysis.keys:
        scene = Scene(analysis, told)  # names and degrees as the lifted key writes them
    return replace(told, consequences=consequences_of(scene))


def _refuse_far(edits: Sequence[Edit]) -> None:
    """What no engine could render is refused here, in the words of the render."""
    for edit in edits:
        try:
            check_shift(edit)
        except UsageError as error:
            raise UsageError(f'rule "{edit.rule}": {error}') from error


def _apply(rule: Rule, draft: Draft) -> None:
    for stem in _stems_of(rule, draft.analysis):
        if stem.role in MONOPHONIC_ROLES or stem.role == "mix":
            claim_notes(rule, stem, draft)
        else:
            claim_spans(rule, stem, draft)
            if rule.manner != AS_SUNG:
                draft.warn(
                    f'rule "{rule}": {stem.name} moves as a whole: "{rule.manner}" is for single '
                    "notes and is left out"
                )


def _stems_of(rule: Rule, analysis: Analysis) -> list[StemAnalysis]:
    if rule.stems:
        return [analysis.stems[name] for name in rule.stems]
    melody = analysis.melody
    if melody is None:
        raise InputError(
            'the song has no stem with role = "melody": name a stem in the rule, such as '
            f"{', '.join(analysis.stems) or 'none'}"
        )
    return [melody]


def _in_order(edits: Sequence[Edit]) -> tuple[Edit, ...]:
    """Edits by time. Notes of one stem never overlap, but a correction may have pushed one into
    the next: then it ends where the next begins."""
    ordered = sorted(edits, key=lambda edit: (edit.start_s, edit.stem))
    last: dict[str, int] = {}
    for place, edit in enumerate(ordered):
        before = last.get(edit.stem)
        if before is not None and ordered[before].end_s > edit.start_s:
            ordered[before] = replace(ordered[before], end_s=edit.start_s)
        last[edit.stem] = place
    return tuple(edit for edit in ordered if edit.end_s - edit.start_s > 1e-6)
