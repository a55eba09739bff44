"""Contrasts worth hearing in a song, each a variant with its rules and the reason."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean

from retune.carriers.changes import Plan
from retune.carriers.heard import Analysis
from retune.rules.candidates import candidates
from retune.rules.endings import EndingNow, endings_of
from retune.rules.plan import make_plan
from retune.rules.suggestwords import phrases_in_words
from retune.rules.trial import Candidate
from retune.theory.chords import is_no_chord
from retune.theory.keys import degree_pc

# How well a moved note keeps its sound, by the size of the shift: spectral error grows by about
# two thirds from 2 semitones to 7 (measured on synthetic voices with known truth). A choice of
# ours, used for nothing but the order of suggestions.
_FULL_CENTS, _WORST_CENTS, _WORST = 200.0, 700.0, 0.5
# A stem that is not one voice is moved with more loss than a single note.
_WHOLE_STEM = 0.7
# Below this a variant renders poorly, and what it changes counts by so much.
_CLEAN, _POORLY = 0.5, 0.5
# Steps between the three ways to end.
_STEPS = {"open": 0, "partly at rest": 1, "at rest": 2}
_TRIAD = ("root", "third", "fifth")


@dataclass(frozen=True)
class Suggestion:
    """A variant worth hearing.

    `changes` is what it changes for who listens: how many steps (open, partly at rest, at rest)
    an ending that it touches goes up or down, on average, 0 to 2. `hangs` tells that the song
    would end on a dissonance that nothing resolves. `cleanliness`, 0 to 1, orders how cleanly it
    can be rendered and is no promise of quality.
    """

    name: str
    about: str
    rules: tuple[str, ...]
    reason: str
    changes: float
    cleanliness: float
    hangs: bool = False


def suggest_variants(
    analysis: Analysis, *, follow: Mapping[str, str] | None = None
) -> tuple[Suggestion, ...]:
    """Contrasting variants of a song, the most telling first.

    Every waiting ending comes home, with its chord where the tonic would fight that; home comes a
    phrase early; none ever comes; every ending a step higher; a stable third in place of the
    tonic; endings brought into their chords; the tonic over chords that wait on; and two by two,
    melody (2 or 1) by harmony (dominant or tonic), with a mirror. Variants that belong together
    stay together; sets are ranked by how far their endings turn (at rest, partly, open), those
    that render poorly after; what ends the song on an unresolved dissonance comes after the rest.

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
        after = endings_of(analysis, plan)
        # The two by two is whole only with all its cells, heard before or not.
        known = moves in seen and candidate.group != "two-by-two"
        if known or _misses(candidate, plan) or not _keeps_its_word(candidate, after):
            continue
        seen.add(moves)
        pairs = tuple(zip(endings, after, strict=True))
        groups.setdefault(candidate.group, []).append(
            _suggestion(candidate, plan, pairs, _cleanliness(analysis, plan))
        )
    return tuple(s for group in sorted(groups.values(), key=_rank) for s in group)


def _misses(candidate: Candidate, plan: Plan) -> bool:
    """Whether a rule of a candidate moves nothing, or not all it set out to move."""
    moving = {edit.rule for edit in plan.edits}
    moved = {edit.phrase for edit in plan.edits if edit.note is not None}
    return not set(plan.rules) <= moving or not set(candidate.phrases) <= moved


def _keeps_its_word(candidate: Candidate, after: Sequence[EndingNow]) -> bool:
    """Whether what is said to rest does, with all that sounds under it."""
    return all(e.state != "open" for e in after if e.phrase in candidate.rests)


def _suggestion(
    candidate: Candidate,
    plan: Plan,
    pairs: Sequence[tuple[EndingNow, EndingNow]],
    cleanliness: float,
) -> Suggestion:
    touched = [(a, b) for a, b in pairs if _differs(a, b)]
    steps = [abs(_STEPS[a.state] - _STEPS[b.state]) for a, b in touched]
    return Suggestion(
        name=candidate.name,
        about=candidate.about,
        rules=plan.rules,
        reason=" ".join(filter(None, (candidate.reason, _outcome(touched)))),
        changes=fmean(steps) if steps else 0.0,
        cleanliness=round(cleanliness, 3),
        hangs=any(_hangs(b) for _, b in touched),
    )


def _hangs(ending: EndingNow) -> bool:
    """Whether the last phrase ends outside its chord's triad: a ninth, say."""
    chord = ending.chord
    if not ending.is_last or chord is None or is_no_chord(chord):
        return False
    return chord.role_of(degree_pc(ending.degree, ending.key)) not in _TRIAD


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
    who, s = phrases_in_words(phrases), "" if len(phrases) > 1 else "s"
    if before == after:
        return f"{who} stay{s} {after}"
    return f"{who} turn{s} from {before} to {after}"


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


def _rank(group: Sequence[Suggestion]) -> tuple[bool, float]:
    """Sets by the best of them, most first; what is equal stays as it was tried."""
    worth = max(s.changes * (_POORLY if s.cleanliness < _CLEAN else 1.0) for s in group)
    return any(s.hangs for s in group), -worth
