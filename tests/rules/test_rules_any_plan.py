"""What holds of the plan of any rules on any song, and refusals that name the rule."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rule_songs import SONGS, lullaby, song
from rules_strategies import rules as any_rule

from retune.carriers.changes import Plan
from retune.carriers.errors import InputError
from retune.pipeline.facts import plan_facts
from retune.rules import Rule, make_plan, parse_rule


@given(st.lists(any_rule(), min_size=1, max_size=4), st.sampled_from(sorted(SONGS)))
@settings(max_examples=120)
def test_any_rules_give_a_sound_plan_or_a_refusal_in_one_line(rules: list[Rule], name: str) -> None:
    texts = [str(replace(rule, stems=())) for rule in rules if rule.what is not None]
    plan, refusal = Plan(()), ""
    try:
        plan = make_plan(SONGS[name](), texts)
    except InputError as error:
        refusal = str(error)
    assert len(refusal.splitlines()) <= 1
    assert not refusal or "not in the song" in refusal or "more than an octave" in refusal
    for earlier, later in pairwise(plan.edits):
        assert earlier.start_s <= later.start_s
        assert earlier.stem != later.stem or earlier.end_s <= later.start_s
    for stem in {edit.stem for edit in plan.edits}:
        spans = [edit.span_after for edit in plan.of_stem(stem)]
        assert all(start_s < end_s for start_s, end_s in spans)
        assert all(first[1] <= second[0] + 1e-6 for first, second in pairwise(spans))
    for edit in plan.edits:
        assert abs(edit.shift_cents) > 1e-9 or edit.moves_in_time
        assert str(parse_rule(edit.rule)) == edit.rule
    json.dumps(plan_facts(plan), allow_nan=False)


def test_a_place_that_the_song_has_not_names_the_rule() -> None:
    with pytest.raises(InputError, match=r'rule "keep note at 99:1": 99:1 is not in the song'):
        make_plan(lullaby(), ["keep note at 99:1"])


def test_a_doubtful_follower_is_warned_of() -> None:
    pair = song(
        {"vocal": ("melody", "Bb4:2 C5:2 / D5:4"), "second": ("double", "Bb4:2 C5:2 / D5:4")}
    )
    notes = tuple(replace(note, confidence=0.2) for note in pair.stems["second"].notes)
    second = replace(pair.stems["second"], notes=notes)
    plan = make_plan(replace(pair, stems={**pair.stems, "second": second}), ["move note C5 to Bb4"])
    assert [edit.stem for edit in plan.edits] == ["second", "vocal"]
    assert sum("C5 at 4.00 s, bar 1 is in doubt" in line for line in plan.warnings) == 1


def test_a_tie_is_said_in_the_plan() -> None:
    plan = make_plan(lullaby(), ["move phrase-ending note to nearest chord tone in phrase 3"])
    assert any("D5 is as near; down was taken" in line for line in plan.warnings)


def test_a_rule_on_the_bass_counts_its_own_notes() -> None:
    plan = make_plan(lullaby(), ["move bass every degree 5 to degree 1 above over V7"])
    moved = [(edit.note, edit.from_name, edit.to_name) for edit in plan.edits]
    assert moved == [(14, "F2", "Bb2"), (15, "F2", "Bb2")]
