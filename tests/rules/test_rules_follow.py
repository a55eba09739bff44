"""Stems that go with the melody: doubles exactly, harmonies as the song file says."""

from __future__ import annotations

import pytest
from rule_songs import song

from retune.carriers.changes import Plan
from retune.carriers.heard import Analysis
from retune.rules import make_plan

HOME = "move phrase-ending degree 2 to degree 1"


def trio(*, harmony: str = "D5:2 C5:1 Bb4:1 A4:4 / F4:2 Eb4:2 D4:4") -> Analysis:
    """Melody with a harmony beneath and a double an octave below."""
    return song(
        {
            "vocal": ("melody", "F5:2 Eb5:1 D5:1 C5:4 / D5:2 C5:2 Bb4:4"),
            "alto": ("harmony", harmony),
            "octave": ("double", "F4:2 Eb4:1 D4:1 C4:4 / D4:2 C4:2 Bb3:4"),
        },
        chart="Bb | F | Bb | Bb",
    )


def moved(plan: Plan, stem: str) -> list[tuple[str | None, str | None, float]]:
    return [(e.from_name, e.to_name, e.shift_cents) for e in plan.of_stem(stem)]


def test_a_double_always_follows_exactly() -> None:
    plan = make_plan(trio(), [HOME])
    assert moved(plan, "octave") == [("C4", "Bb3", -200.0)]
    assert moved(plan, "alto") == []


@pytest.mark.parametrize(
    ("how", "edits"),
    [
        # C to B flat is one step down: A to G, two semitones as it happens.
        ("scale steps", [("A4", "G4", -200.0)]),
        ("semitones", [("A4", "G4", -200.0)]),
        ("keep", []),
    ],
)
def test_a_harmony_follows_as_it_is_told(
    how: str, edits: list[tuple[str | None, str | None, float]]
) -> None:
    assert moved(make_plan(trio(), [HOME], follow={"alto": how}), "alto") == edits


def test_scale_steps_stay_in_the_scale_where_semitones_leave_it() -> None:
    # The melody rises from C to D; the A beneath goes to B flat, or to B.
    up = ["move phrase-ending degree 2 to degree 3"]
    steps = make_plan(trio(), up, follow={"alto": "scale steps"})
    assert moved(steps, "alto") == [("A4", "Bb4", 100.0)]
    semitones = make_plan(trio(), up, follow={"alto": "semitones"})
    assert moved(semitones, "alto") == [("A4", "B4", 200.0)]


def test_a_chromatic_move_is_followed_by_semitones() -> None:
    plan = make_plan(
        trio(), ["move phrase-ending degree 2 to degree b2"], follow={"alto": "scale steps"}
    )
    assert moved(plan, "alto") == [("A4", "Ab4", -100.0)]


def test_cents_are_followed_by_cents() -> None:
    plan = make_plan(
        trio(), ["shift phrase-ending degree 2 up 30 cents"], follow={"alto": "scale steps"}
    )
    assert moved(plan, "alto") == [("A4", "A4", 30.0)]
    assert moved(plan, "octave") == [("C4", "C4", 30.0)]


def test_a_note_that_hardly_sounds_with_the_melody_stays() -> None:
    # The A begins with the ending but is held over into the next bar for most of its length.
    held = trio(harmony="D5:2 C5:1 Bb4:1 r:3 A4:4 / r:1 D4:4")
    plan = make_plan(held, [HOME], follow={"alto": "scale steps"})
    assert moved(plan, "alto") == []


def test_every_harmony_note_under_a_long_one_goes_along() -> None:
    busy = trio(harmony="D5:2 C5:1 Bb4:1 A4:2 F4:2 / F4:2 Eb4:2 D4:4")
    plan = make_plan(busy, [HOME], follow={"alto": "scale steps"})
    assert moved(plan, "alto") == [("A4", "G4", -200.0), ("F4", "Eb4", -200.0)]


def test_a_rule_for_the_harmony_itself_goes_first() -> None:
    own = "move alto phrase-ending note to D5 in phrase 1"
    for rules in ([HOME, own], [own, HOME]):
        plan = make_plan(trio(), rules, follow={"alto": "scale steps"})
        assert moved(plan, "alto") == [("A4", "D5", 500.0)]


@pytest.mark.parametrize("stem", ["alto", "octave"])
def test_keep_holds_what_would_follow(stem: str) -> None:
    plan = make_plan(trio(), [HOME, f"keep {stem} every note"], follow={"alto": "scale steps"})
    assert moved(plan, stem) == []
    assert moved(plan, "vocal") == [("C5", "Bb4", -200.0)]


def test_followers_name_the_rule_they_follow() -> None:
    plan = make_plan(trio(), [HOME], follow={"alto": "semitones"})
    assert {e.rule for e in plan.edits} == {HOME}
    alto = plan.of_stem("alto")[0]
    assert (alto.role_before, alto.role_after) == ("third", "unresolved")


def doubled(double: str) -> Analysis:
    melody = "F5:2 Eb5:1 D5:1 C5:4 / D5:2 C5:2 Bb4:4"
    return song({"vocal": ("melody", melody), "low": ("double", double)}, chart="Bb | F | Bb | Bb")


def test_a_double_that_stays_behind_is_told_with_its_bar() -> None:
    """The double comes in a beat early and holds for six: it sings another note for the most."""
    plan = make_plan(doubled("F4:2 Eb4:1 C4:9 / Bb3:4"), [HOME])
    (line,) = (line for line in plan.warnings if "still sings" in line)
    assert line == "stem low still sings C4 in bar 1 where the melody moves from C5 to Bb4"
    assert not moved(plan, "low")


def test_a_double_that_follows_or_is_kept_is_not_told_of() -> None:
    for rules in ([HOME], [HOME, "keep octave every note"]):
        plan = make_plan(trio(), rules)
        assert not [line for line in plan.warnings if "still sings" in line]


def test_a_double_that_begins_with_the_melody_goes_along_however_long_it_lasts() -> None:
    plan = make_plan(doubled("F4:2 Eb4:1 D4:1 C4:12"), [HOME])
    assert moved(plan, "low") == [("C4", "Bb3", -200.0)]
    assert not [line for line in plan.warnings if "still sings" in line]


def test_a_harmony_that_stays_is_told_in_one_line_and_its_unison_as_a_double() -> None:
    (line,) = (w for w in make_plan(trio(), [HOME]).warnings if w.startswith("stem alto"))
    assert line == (
        "stem alto stays where the melody beside it moves: A4 in bar 2; to take it along, give it "
        'when_melody_moves = "scale steps" or "semitones"'
    )
    unison = trio(harmony="D5:2 C5:1 Bb4:1 C5:4 / F4:2 Eb4:2 D4:4")
    (line,) = (w for w in make_plan(unison, [HOME]).warnings if w.startswith("stem alto"))
    assert line == "stem alto still sings C5 in bar 2 where the melody moves from C5 to Bb4"


def test_of_a_harmony_that_stays_long_four_notes_are_named() -> None:
    busy = trio(harmony="D5:2 C5:1 Bb4:1 A4:1 G4:1 F4:1 A4:1 / F4:2 Eb4:2 D4:4")
    lines = make_plan(busy, [HOME, "move every degree 5 to degree 4"]).warnings
    (line,) = (w for w in lines if w.startswith("stem alto"))
    assert ": D5 in bar 1, A4 in bar 2, G4 in bar 2, F4 in bar 2, 1 note more; " in line


@pytest.mark.parametrize("rule", ["keep alto every note", "move alto every note to degree 1"])
def test_a_harmony_that_a_rule_speaks_of_is_not_told_of(rule: str) -> None:
    lines = make_plan(trio(), [HOME, rule]).warnings
    assert not [line for line in lines if line.startswith("stem alto")]
