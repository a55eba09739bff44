"""Rules that move notes in time: what moves with what, what fits, and what follows.

The song has a second a beat, and 0.04 s between the notes of a phrase.
"""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import pytest
from rule_songs import empty, lullaby, song

from retune.carriers.changes import Plan
from retune.carriers.heard import Analysis, Bars
from retune.pipeline.facts import plan_facts
from retune.rules import make_plan


def resting() -> Analysis:
    """C major, 4/4: D5 over F, then C5 over C, with two beats of rest behind; then E5."""
    return song(
        {"vocal": ("melody", "D5:2 C5:2 r:2 / E5:2"), "second": ("double", "D4:2 C4:2 r:2 / E4:2")},
        key="C major",
        chart="G . C . | C",
    )


def moved(plan: Plan, stem: str = "vocal") -> list[tuple[str, float, float]]:
    return [(e.from_name or "", *e.span_after) for e in plan.of_stem(stem) if e.moves_in_time]


def test_a_held_note_fills_the_rest_and_nothing_else_moves() -> None:
    plan = make_plan(resting(), ["hold note at 1:3 1 beat longer"])
    assert moved(plan) == [("C5", 4.0, 6.96)]
    (held,) = plan.of_stem("vocal")
    assert (held.shift_cents, held.to_name) == (0, "C5")


def test_a_held_note_is_cut_to_the_rest_or_refused_with_the_room_there_is() -> None:
    cut = make_plan(resting(), ["hold note at 1:3 2 beats longer"])
    assert moved(cut) == [("C5", 4.0, pytest.approx(7.94, abs=1e-3))]
    refused = make_plan(resting(), ["hold note at 1:3 3 beats longer"])
    assert not refused.edits
    assert any("room for 1.98 s (2 beats) where 3.00 s are asked" in w for w in refused.warnings)


def test_a_length_in_all_is_counted_from_where_the_note_begins() -> None:
    held = make_plan(resting(), ["hold note at 1:3 to 3 beats"])
    assert moved(held) == [("C5", 4.0, 7.0)]
    cut = make_plan(resting(), ["shorten note at 1:3 to 1 beat"])
    assert moved(cut) == [("C5", 4.0, 5.0)]
    as_long = make_plan(resting(), ["shorten phrase-ending note to 3 beats"])
    assert not as_long.edits
    assert any("it lasts 1.96 s already" in warning for warning in as_long.warnings)


def test_delay_holds_the_note_before_and_ends_where_it_ended() -> None:
    plan = make_plan(resting(), ["delay note at 1:3 by 1 beat"])
    assert moved(plan) == [("D5", 2.0, 4.96), ("C5", 5.0, 5.96)]


def test_a_delayed_ending_is_a_suspension_and_a_late_rest() -> None:
    plan = make_plan(resting(), ["delay note at 1:3 by 1 beat"])
    said = {item.kind: item.text for item in plan.consequences}
    assert said["suspension"] == (
        "Bar 1, beat 3: D5 is held over C, a 9-8 suspension that resolves down to C5 "
        "in bar 1, beat 4"
    )
    assert "comes to rest on C5 1 beat later" in said["late-rest"]


def test_suspend_holds_for_a_beat_over_a_change_of_chord_only() -> None:
    assert moved(make_plan(resting(), ["suspend note at 1:3"])) == [
        ("D5", 2.0, 4.96),
        ("C5", 5.0, 5.96),
    ]
    still = make_plan(resting(), ["suspend note at 1:1"])
    assert not still.edits
    assert "no note goes before it" in still.warnings[0]
    same = make_plan(lullaby(), ["suspend phrase-ending note in phrase 3"])
    assert "no chord changes under it" in same.warnings[0]


def test_a_note_brought_earlier_is_an_anticipation() -> None:
    plan = make_plan(resting(), ["bring note at 1:3 1 beat earlier"])
    assert moved(plan) == [("D5", 2.0, 2.96), ("C5", 3.0, 5.96)]
    assert any(
        item.kind == "anticipation" and "C5 sounds over G already and belongs to C" in item.text
        for item in plan.consequences
    )


def test_shorten_moves_the_end_alone_and_leaves_something_of_the_note() -> None:
    assert moved(make_plan(resting(), ["shorten note at 1:3 by 1/2 beat"])) == [("C5", 4.0, 5.46)]
    refused = make_plan(resting(), ["shorten note at 1:3 by 1.9s"])
    assert any("C5 lasts 1.96 s" in line for line in refused.warnings)


def test_places_and_seconds_are_taken_exactly() -> None:
    assert moved(make_plan(resting(), ["hold note at 1:3 to 2:1"])) == [("C5", 4.0, 6.0)]
    assert moved(make_plan(resting(), ["delay note at 2:3 to 2:4"])) == [("E5", 9.0, 9.96)]
    assert moved(make_plan(resting(), ["delay note at 2:3 by 0.25s"])) == [("E5", 8.25, 9.96)]
    wrong = make_plan(resting(), ["hold note at 1:3 to 1:1"])
    assert "1:1 does not lie after its end" in wrong.warnings[0]


def test_time_and_pitch_move_in_one_variant() -> None:
    plan = make_plan(resting(), ["move note at 1:3 to E5", "delay note at 1:3 by 1 beat"])
    changed = plan.of_stem("vocal")[1]
    assert (changed.to_name, changed.shift_cents, changed.span_after) == ("E5", 400, (5.0, 5.96))


def test_a_double_goes_along_in_time() -> None:
    plan = make_plan(resting(), ["delay note at 1:3 by 1 beat"])
    assert moved(plan, "second") == [("D4", 2.0, 4.96), ("C4", 5.0, 5.96)]


def test_the_later_rule_wins_an_end_and_kept_notes_hold() -> None:
    plan = make_plan(resting(), ["hold note at 1:3 1 beat longer", "shorten note at 1:3 by 1 beat"])
    assert moved(plan) == [("C5", 4.0, 4.96)]
    assert any("the later wins" in line for line in plan.warnings)
    kept = make_plan(resting(), ["keep note at 1:1", "delay note at 1:3 by 1 beat"])
    assert not moved(kept)
    assert any("D5 at 2.00 s, bar 1, would move with it and is kept" in w for w in kept.warnings)


def test_two_wishes_never_push_each_other() -> None:
    plan = make_plan(
        resting(), ["hold note at 1:3 1 beat longer", "bring note at 2:3 1.25 beats earlier"]
    )
    assert moved(plan) == [("C5", 4.0, 6.96), ("E5", pytest.approx(7.02, abs=1e-3), 9.96)]


def test_a_finished_mix_moves_in_pitch_only() -> None:
    mix = song({"band": ("mix", "D5:2 C5:2 r:2 / E5:2")}, key="C major", chart="G . C . | C")
    plan = make_plan(mix, ["hold note at 1:3 1 beat longer"])
    assert not plan.edits
    assert "inside a finished mix notes move in pitch only" in plan.warnings[0]


def test_a_song_without_beats_wants_seconds() -> None:
    bare = replace(resting(), bars=Bars((), (4, 4), 0.0))
    assert "say it in seconds" in make_plan(bare, ["hold note at 4s 1 beat longer"]).warnings[0]
    assert moved(make_plan(bare, ["hold note at 4s 0.5s longer"])) == [("C5", 4.0, 6.46)]
    assert not make_plan(empty(), ["hold every note 1 beat longer"]).edits


def test_a_bass_that_comes_late_makes_another_chord() -> None:
    plan = make_plan(lullaby(), ["delay bass note at 5:1 by 1 beat"])
    assert [(i.kind, i.text) for i in plan.consequences] == [
        ("new-chord", "Bar 5: Bb becomes Bb/F (I64), in second inversion")
    ]


def test_json_has_times_only_where_time_moves() -> None:
    facts = plan_facts(
        make_plan(resting(), ["delay note at 1:3 by 1 beat", "move note at 2:3 to D5"])
    )
    rows = [edit for edit in facts["edits"] if edit["stem"] == "vocal"]
    assert [edit.get("start_to_s") for edit in rows] == [2.0, 5.0, None]
    assert [edit.get("end_to_s") for edit in rows] == [4.96, 5.96, None]
    assert "start_to_s" not in rows[2]


def test_a_stem_that_is_no_single_voice_has_no_notes_to_hold() -> None:
    song_ = lullaby()
    plan = make_plan(
        replace(song_, stems=MappingProxyType(dict(song_.stems))),
        ["hold harp every note 1 beat longer"],
    )
    assert "so it has no notes to hold" in plan.warnings[0]
