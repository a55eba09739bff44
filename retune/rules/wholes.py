"""Stems that move as a whole, between bars or times."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from retune.carriers.changes import Edit
from retune.carriers.heard import Analysis, StemAnalysis
from retune.rules.claims import Draft
from retune.rules.model import IN_TIME, Interval, Rule
from retune.rules.spans import matched_spans

_UNIT_CENTS = {"semitone": 100.0, "cent": 1.0, "octave": 1200.0}


def claim_spans(rule: Rule, stem: StemAnalysis, draft: Draft) -> None:
    """Let a rule claim the spans of a stem that is not one voice."""
    if rule.what is not None or rule.action == "move":
        as_a_whole = "keep" if rule.action == "keep" else "shift"
        instead = "" if rule.action in IN_TIME else f'; write "{as_a_whole} {stem.name} ..."'
        draft.warn(
            f'rule "{rule}": stem {stem.name} ({stem.role}) is not one voice, so it has no notes '
            f"to {rule.action}{instead}"
        )
        return
    spans = matched_spans(rule, draft.analysis)
    if not spans:
        draft.warn(f'rule "{rule}" matches nothing: no part of stem {stem.name} lies there')
    if rule.action == "keep":
        draft.kept_spans += [(stem.name, start_s, end_s) for start_s, end_s in spans]
        return
    if stem.role == "unpitched":
        draft.warn(f'rule "{rule}": stem {stem.name} is unpitched and stays as it is')
        return
    assert isinstance(rule.interval, Interval)
    if rule.interval.unit == "scale step":
        draft.warn(
            f'rule "{rule}": stem {stem.name} moves as a whole, by semitones or cents, not by '
            "scale steps"
        )
        return
    cents = rule.interval.amount * _UNIT_CENTS[rule.interval.unit]
    cents = cents if rule.interval.direction == "up" else -cents
    draft.spans += [
        _span_edit(rule, stem, start_s, end_s, cents, draft.analysis) for start_s, end_s in spans
    ]


def _span_edit(
    rule: Rule, stem: StemAnalysis, start_s: float, end_s: float, cents: float, analysis: Analysis
) -> Edit:
    chord = analysis.chord_at(start_s)
    downbeats = analysis.bars.downbeats_s
    return Edit(
        stem=stem.name,
        start_s=start_s,
        end_s=end_s,
        shift_cents=cents,
        rule=str(rule),
        bar=sum(downbeat <= start_s + 1e-6 for downbeat in downbeats) if downbeats else None,
        chord=(chord.typed or chord.label) if chord else None,
    )


def spans_apart(draft: Draft) -> list[Edit]:
    """The spans that move, kept parts cut out; where two overlap the later rule wins."""
    result: list[Edit] = []
    for edit in draft.spans:
        for other in [o for o in result if o.stem == edit.stem and _overlap(o, edit)]:
            if other.rule != edit.rule:
                draft.warn(
                    f"stem {edit.stem} is claimed by two rules from "
                    f"{max(other.start_s, edit.start_s):.2f} s: "
                    f'"{other.rule}" and "{edit.rule}"; the later wins'
                )
            result.remove(other)
            result += _cut(other, edit.start_s, edit.end_s)
        result.append(edit)
    for stem, start_s, end_s in draft.kept_spans:
        result = [
            part
            for edit in result
            for part in (_cut(edit, start_s, end_s) if edit.stem == stem else [edit])
        ]
    return result


def _overlap(first: Edit, second: Edit) -> bool:
    return first.start_s < second.end_s - 1e-9 and second.start_s < first.end_s - 1e-9


def _cut(edit: Edit, start_s: float, end_s: float) -> list[Edit]:
    """What is left of an edit outside a span."""
    if not (edit.start_s < end_s and start_s < edit.end_s):
        return [edit]
    ends: Sequence[tuple[float, float]] = (
        (edit.start_s, min(start_s, edit.end_s)),
        (max(end_s, edit.start_s), edit.end_s),
    )
    return [replace(edit, start_s=a, end_s=b) for a, b in ends if b - a > 1e-6]
