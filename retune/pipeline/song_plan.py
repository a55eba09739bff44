"""From an analysis and rules to a plan of edits."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import replace

from retune.carriers.changes import Plan
from retune.carriers.errors import RuleError, UsageError
from retune.carriers.songfacts import Song
from retune.pipeline.inputs import Progress, SongInputs, silent
from retune.pipeline.song_analysis import analysis_key, analysis_of
from retune.pipeline.stages import Stage
from retune.song.songfile import place_of

SHORTEST_S = 0.01
"""What is left of an edit at the end of a stem must last at least this."""


PLAN = Stage("plan", Plan, rooms=("rules",), keep=64, on_disk=False)


def plan_of(
    opened: SongInputs,
    *,
    rules: Sequence[str] | str | None = None,
    variant: str | None = None,
    progress: Progress = silent,
) -> Plan:
    """What a variant of the song, or rules in plain words, would move; exactly one of the two.

    Raises
    ------
    RuleError
        A rule does not read.
    UsageError
        Neither or both of `rules` and `variant`, or no variant of that name.
    """
    if (rules is None) == (variant is None):
        raise UsageError("give either rules or the name of a variant")
    if variant is None:
        return _made(opened, [rules] if isinstance(rules, str) else list(rules or ()), progress)
    named = find_variant(opened.song, variant)
    written = opened.song.variants[named].rules
    try:
        return replace(_made(opened, list(written), progress), name=named)
    except RuleError as error:
        raise _placed(error, opened.song, named) from error


def _made(opened: SongInputs, rules: Sequence[str], progress: Progress) -> Plan:
    from retune.rules import make_plan

    analysis = analysis_of(opened, progress=progress)
    heard = analysis_key(opened)

    def make() -> Plan:
        plan = _within_stems(make_plan(analysis, rules), opened)
        return replace(plan, heard=heard)

    return opened.recall(PLAN, {"analysis": heard, "rules": list(rules)}, make)


def check_plan(plan: Plan, opened: SongInputs) -> None:
    """Refuse a plan of notes that were heard in other sound, or under another song file.

    Raises
    ------
    UsageError
        The song was changed since the plan was made.
    """
    if plan.heard and plan.heard != analysis_key(opened):
        raise UsageError(
            f"{opened.song.path.name} or one of its files was changed since this plan "
            f'("{plan.name}") was made: make the plan again'
        )


def _within_stems(plan: Plan, opened: SongInputs) -> Plan:
    """The plan without what lies past the end of a stem that is shorter than the song."""
    edits, warnings = [], list(plan.warnings)
    for edit in plan.edits:
        end_s = opened.audio[opened.home_of(edit.stem)].duration_s
        if edit.start_s >= end_s - SHORTEST_S:
            warnings.append(
                f'rule "{edit.rule}": stem {edit.stem} ends at {end_s:.2f} s, so nothing of it '
                f"moves from {edit.start_s:.2f} s"
            )
            continue
        to_s = None if edit.end_to_s is None else min(edit.end_to_s, end_s)
        edits.append(replace(edit, end_s=min(edit.end_s, end_s), end_to_s=to_s))
    return replace(plan, edits=tuple(edits), warnings=tuple(dict.fromkeys(warnings)))


def _placed(error: RuleError, song: Song, variant: str) -> RuleError:
    """The fault of a rule with its file, line and variant."""
    rules = song.variants[variant].rules
    entry = (rules.index(error.text),) if error.text in rules else ()
    place = place_of(song, "variants", variant, "rules", *entry)
    return RuleError(
        f"{place}: {error.problem}",
        text=error.text,
        column=error.column,
        length=error.length,
        expected=error.expected,
        nearest=error.nearest,
        readings=error.readings,
    )


def plans_of(
    opened: SongInputs, names: Sequence[str] | None, *, progress: Progress = silent
) -> tuple[Plan, ...]:
    """The plans of the named variants, or of every variant of the song when `names` is None."""
    chosen = list(opened.song.variants) if names is None else list(dict.fromkeys(names))
    if not chosen:
        raise UsageError(
            f"{opened.song.path.name} has no [variants.NAME] table: add one, or give --rule"
        )
    return tuple(plan_of(opened, variant=name, progress=progress) for name in chosen)


def find_variant(song: Song, name: str) -> str:
    """`name` if the song has such a variant.

    Raises
    ------
    UsageError
        It has none; says which there are and which is nearest.
    """
    if name in song.variants:
        return name
    have = ", ".join(song.variants) or "none"
    near = difflib.get_close_matches(name, list(song.variants), n=1)
    hint = f'; did you mean "{near[0]}"?' if near else ""
    raise UsageError(f'{song.path.name}: no variant "{name}" (it has: {have}){hint}')
