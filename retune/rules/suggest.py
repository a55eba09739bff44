"""Contrasts worth hearing in a song, each a variant with its rules and the reason."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean

from retune.carriers.changes import Plan
from retune.carriers.heard import Analysis
from retune.rules.candidates import NAMED_AT_MOST, Candidate, candidates, ranges
from retune.rules.endings import EndingNow, endings_of
from retune.rules.plan import make_plan
from retune.rules.scene import listed

# How well a moved note keeps its sound, by the size of the shift: spectral error grows by about
# two thirds from 2 semitones to 7 (measured on synthetic voices with known truth). A choice of
# ours, used for nothing but the order of suggestions.
_FULL_CENTS, _WORST_CENTS, _WORST = 200.0, 700.0, 0.5
# A stem that is not one voice is moved with more loss than a single note.
_WHOLE_STEM = 0.7
# What an ending counts that moves and stays open (or partly at rest, or at rest) all the same.
_SAME_WAY = 0.5


@dataclass(frozen=True)
class Suggestion:
    """A variant worth hearing.

    `changes` counts the phrases that end on another degree or chord: those that also end in
    another way (at rest, partly at rest, open) in full, the others by half. `cleanliness`, 0 to
    1, orders how cleanly it can be rendered and is no promise of quality.
    """

    name: str
    about: str
    rules: tuple[str, ...]
    reason: str
    changes: float
    cleanliness: float


def suggest_variants(
    analysis: Analysis, *, follow: Mapping[str, str] | None = None
) -> tuple[Suggestion, ...]:
    """Contrasting variants of a song, the most telling first.

    Every waiting ending comes home; none ever does; home comes a phrase early; every ending a
    step higher; a stable third in place of the tonic; endings brought into their chords; and two
    by two, melody (2 or 1) by harmony (dominant or tonic), with a mirror that moves as far without
    coming home. Variants that belong together stay together; sets are ranked by how many endings
    change, times how cleanly they render.

    Parameters
    ----------
    analysis : Analysis
        The song as sung.
    follow : mapping of stem to "keep", "scale steps" or "semitones"
        As in `make_plan`.

    Returns
    -------
    tuple of Suggestion
        Every rule of each matches, and no two of different sets move the same notes to the same
        places. Empty where there is no key, no melody or no phrase ending.
    """
    endings = endings_of(analysis)
    groups: dict[str, list[Suggestion]] = {}
    seen: set[tuple[object, ...]] = set()
    for candidate in candidates(analysis, endings):
        plan = make_plan(analysis, candidate.rules, name=candidate.name, follow=follow)
        moves = tuple((edit.stem, edit.start_s, edit.shift_cents) for edit in plan.edits)
        # The two by two is whole only with all its cells, heard before or not.
        if _misses(candidate, plan) or (moves in seen and candidate.group != "two-by-two"):
            continue
        seen.add(moves)
        groups.setdefault(candidate.group, []).append(
            _suggestion(candidate, plan, analysis, endings)
        )
    return tuple(s for group in sorted(groups.values(), key=_rank) for s in group)


def _misses(candidate: Candidate, plan: Plan) -> bool:
    """Whether a rule of a candidate moves nothing, or not all it set out to move."""
    moving = {edit.rule for edit in plan.edits}
    moved = {edit.phrase for edit in plan.edits if edit.note is not None}
    return not set(plan.rules) <= moving or not set(candidate.phrases) <= moved


def _suggestion(
    candidate: Candidate, plan: Plan, analysis: Analysis, before: Sequence[EndingNow]
) -> Suggestion:
    after = endings_of(analysis, plan)
    touched = [(a, b) for a, b in zip(before, after, strict=True) if _differs(a, b)]
    return Suggestion(
        name=candidate.name,
        about=candidate.about,
        rules=plan.rules,
        reason=" ".join(filter(None, (candidate.reason, _outcome(touched)))),
        changes=sum(_SAME_WAY if a.state == b.state else 1.0 for a, b in touched),
        cleanliness=round(_cleanliness(analysis, plan), 3),
    )


def _differs(before: EndingNow, after: EndingNow) -> bool:
    return (before.degree, before.chord) != (after.degree, after.chord)


def _outcome(touched: Sequence[tuple[EndingNow, EndingNow]]) -> str:
    """ "Phrase 2 turns from open to at rest, phrases 4 and 5 stay open."."""
    became: dict[tuple[str, str], list[int]] = {}
    for before, after in touched:
        became.setdefault((before.state, after.state), []).append(before.phrase)
    told = "; ".join(_became(*states, phrases) for states, phrases in became.items())
    return f"{told[:1].upper()}{told[1:]}." if told else ""


def _became(before: str, after: str, phrases: Sequence[int]) -> str:
    who, s = ("phrases", "") if len(phrases) > 1 else ("phrase", "s")
    many = len(phrases) > NAMED_AT_MOST
    numbers = ranges(phrases) if many else listed([str(phrase) for phrase in phrases])
    if before == after:
        return f"{who} {numbers} stay{s} {after}"
    return f"{who} {numbers} turn{s} from {before} to {after}"


def _cleanliness(analysis: Analysis, plan: Plan) -> float:
    """The mean over the edits of a factor for the size of the shift times, for a note, the
    confidence it was heard with."""
    marks = []
    for edit in plan.edits:
        over = (abs(edit.shift_cents) - _FULL_CENTS) / (_WORST_CENTS - _FULL_CENTS)
        size = 1.0 - (1.0 - _WORST) * min(max(over, 0.0), 1.0)
        note = None if edit.note is None else analysis.stems[edit.stem].note(edit.note)
        marks.append(size * (_WHOLE_STEM if note is None else note.confidence))
    return fmean(marks)


def _rank(group: Sequence[Suggestion]) -> tuple[float, str]:
    """Sets by the best of them, most first; names settle what is equal."""
    worth = max(s.changes * s.cleanliness for s in group)
    return -worth, group[0].name
