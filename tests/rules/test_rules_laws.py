"""Laws that any rules keep on any song: the same twice, there and back, and nothing at all."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st
from rule_songs import SONGS, song
from rules_strategies import rules as any_rule

from retune.analysis.corrections import Draft, apply_corrections
from retune.carriers.changes import Plan
from retune.carriers.errors import InputError
from retune.carriers.songfacts import Correction
from retune.pipeline.facts import plan_facts
from retune.rules import Rule, make_plan
from retune.theory.pitchnames import parse_pitch_name

NAMES = ("C4", "D4", "E4", "F4", "G4", "A4", "B4", "C5", "D5")
SWAPS = (("1", "2"), ("2", "3"), ("3", "4"), ("5", "6"), ("6", "7"))
melodies = st.lists(st.sampled_from(NAMES), min_size=2, max_size=10)


def planned(name: str, texts: list[str]) -> Plan | None:
    try:
        return make_plan(SONGS[name](), texts)
    except InputError:
        return None


def texts_of(rules: list[Rule]) -> list[str]:
    return [str(replace(rule, stems=())) for rule in rules if rule.what is not None]


@given(st.lists(any_rule(), min_size=1, max_size=3), st.sampled_from(sorted(SONGS)))
@settings(max_examples=60)
def test_a_plan_made_twice_is_the_same_to_the_byte(rules: list[Rule], name: str) -> None:
    texts = texts_of(rules)
    one, other = planned(name, texts), planned(name, texts)
    assert (one is None) == (other is None)
    if one is not None and other is not None:
        assert json.dumps(plan_facts(one)) == json.dumps(plan_facts(other))


@given(st.lists(any_rule(), min_size=1, max_size=3), st.sampled_from(sorted(SONGS)))
@settings(max_examples=60)
def test_rules_said_twice_move_what_they_move_once(rules: list[Rule], name: str) -> None:
    """All rules match the notes as sung: the second saying finds nothing more to move."""
    once, twice = planned(name, texts_of(rules)), planned(name, texts_of(rules) * 2)
    assert (once is None) == (twice is None)
    if once is not None and twice is not None:
        assert twice.edits == once.edits


def sung(names: list[str]) -> str:
    return " ".join(f"{name}:1" for name in names)


def after(names: list[str], rules: list[str]) -> list[str]:
    """The names of a melody's notes once rules have moved them."""
    plan = make_plan(song({"vocal": ("melody", sung(names))}, key="C major"), rules)
    moved = {edit.note: edit.to_name for edit in plan.edits}
    return [moved.get(k, name) or name for k, name in enumerate(names, start=1)]


@given(melodies, st.sampled_from(SWAPS))
@settings(max_examples=60)
def test_a_swap_of_neighbours_done_twice_is_none(names: list[str], pair: tuple[str, str]) -> None:
    one, other = pair
    swap = [f"move every degree {a} to degree {b}" for a, b in ((one, other), (other, one))]
    swapped = after(names, swap)
    assert after(swapped, swap) == names
    degrees = {name: "1234567"["CDEFGAB".index(name[0])] for name in NAMES}
    assert {a != b for a, b in zip(names, swapped, strict=True) if degrees[a] in pair} <= {True}
    assert all(a == b for a, b in zip(names, swapped, strict=True) if degrees[a] not in pair)


@given(melodies, st.integers(1, 7), st.sampled_from(("semitones", "scale steps")))
@settings(max_examples=40)
def test_up_and_down_again_is_nothing(names: list[str], steps: int, unit: str) -> None:
    there = after(names, [f"shift every note up {steps} {unit}"])
    assert all(parse_pitch_name(b) > parse_pitch_name(a) for a, b in zip(names, there, strict=True))
    if unit == "semitones":
        back = after(there, [f"shift every note down {steps} {unit}"])
        assert [*map(parse_pitch_name, back)] == [*map(parse_pitch_name, names)]
    else:
        assert after(there, [f"shift every note down {steps} {unit}"]) == names


@given(st.lists(any_rule(), max_size=2), st.sampled_from(sorted(SONGS)))
@settings(max_examples=40)
def test_what_is_kept_stays_whatever_else_is_asked(rules: list[Rule], name: str) -> None:
    own = SONGS[name]()
    texts = [*texts_of(rules), *(f"keep {stem} every note" for stem in own.stems)]
    plan = planned(name, texts)
    assert plan is None or not [edit for edit in plan.edits if edit.note is not None]


@given(st.sampled_from("1234567"), st.sampled_from(sorted(SONGS)))
def test_a_move_onto_itself_is_no_edit(degree: str, name: str) -> None:
    plan = make_plan(SONGS[name](), [f"move every degree {degree} to degree {degree}"])
    key = SONGS[name]().keys[0].key
    if key.mode != "minor":  # there a degree has two forms, of which one may go to the other
        assert plan.edits == ()


# --- corrections -----------------------------------------------------------------------------

FORMS = (
    "pitch F4", "degree 2", "octave up", "octave down", "split", "merge next", "start 1.5",
    "end 2.25", "ending here", "not an ending", "drop", "add G4 to 3.5",
)  # fmt: skip
corrections = st.builds(
    Correction,
    stem=st.just("vocal"),
    at_s=st.integers(0, 80).map(lambda n: n / 10),
    set=st.sampled_from(FORMS),
)


def drafts() -> list[Draft]:
    return [Draft(k, k + 0.9, 60.0 + k) for k in range(8)]


@given(st.lists(corrections, max_size=8))
@settings(max_examples=150)
def test_notes_put_right_in_any_way_stay_in_order_and_apart(wanted: list[Correction]) -> None:
    notes, warnings = apply_corrections(drafts(), wanted, stem="vocal")
    assert all(note.start_s < note.end_s for note in notes)
    assert all(a.end_s <= b.start_s + 1e-9 for a, b in pairwise(notes))
    assert all(line.startswith('correction "') for line in warnings)
    assert apply_corrections(drafts(), wanted, stem="vocal") == (notes, warnings)
    assert apply_corrections(drafts(), wanted, stem="bass") == (drafts(), [])
