"""Tension note by note, before and after a plan."""

from __future__ import annotations

import pytest
from rule_songs import empty, lullaby, modal, song

from retune.rules.plan import make_plan
from retune.rules.tension import TERMS, curve_term, plan_tension, tension_curve
from retune.theory.tensionmodels import note_tension

HOME = "move phrase-ending degree 2 to degree 1 in phrase 3"


def test_an_empty_plan_changes_nothing() -> None:
    analysis = lullaby()
    notes = plan_tension(analysis, make_plan(analysis, []))
    assert len(notes) == len(analysis.stems["vocal"].notes)
    assert not any(note.is_changed for note in notes)
    assert all(variant is None for _, _, variant in tension_curve(notes))


def test_only_moved_notes_change_and_coming_home_lowers_every_term() -> None:
    analysis = lullaby()
    plan = make_plan(analysis, [HOME])
    notes = plan_tension(analysis, plan)
    changed = [note for note in notes if note.is_changed]
    assert [note.note for note in changed] == sorted(edit.note for edit in plan.edits if edit.note)
    ending = next(note for note in changed if note.is_phrase_ending)
    assert ending.after.instability == 0.0
    assert ending.after.attraction == 0.0
    # Over the tonic chord in root position the tonic is no dissonance and lies at no distance
    # (basic space: Lerdahl 2001).
    assert ending.after.harmonic == 0
    # The degree 2 is a note of the scale outside the chord: 3 (surface dissonance, from memory).
    assert ending.before.harmonic == 3


def test_moved_harmony_counts_under_a_note_that_stays() -> None:
    analysis = lullaby()
    plan = make_plan(analysis, ["shift bass, harp up 5 semitones from 3:1 to 5:1"])
    ending = next(n for n in plan_tension(analysis, plan) if n.is_phrase_ending)
    # V to I lies 5 from home (Lerdahl 2001: I to V is 5), I lies at 0.
    assert (ending.before.harmony, ending.after.harmony) == (5, 0)
    assert ending.before.instability == ending.after.instability


def test_values_are_those_of_the_core_model() -> None:
    analysis = modal()
    key = analysis.key
    assert key is not None
    for told, note in zip(
        plan_tension(analysis, make_plan(analysis, [])), analysis.stems["vocal"].notes, strict=True
    ):
        assert told.before == note_tension(note.midi_name, note.chord, key, key)


def test_a_curve_shows_one_term_and_skips_notes_without_it() -> None:
    analysis = lullaby()
    notes = plan_tension(analysis, make_plan(analysis, [HOME]))
    assert curve_term(notes) == "harmonic"
    # The pickup has no chord.
    assert len(tension_curve(notes)) < len(tension_curve(notes, term="instability")) == len(notes)
    times = [time_s for time_s, _, _ in tension_curve(notes)]
    assert times == sorted(times)


@pytest.mark.parametrize("term", TERMS)
def test_every_term_can_be_drawn(term: str) -> None:
    analysis = modal()
    notes = plan_tension(analysis, make_plan(analysis, ["move phrase-ending note to degree 1"]))
    curve = tension_curve(notes, term=term)  # type: ignore[arg-type]
    assert len(curve) == len(notes)


def test_without_chords_the_curve_shows_stability_alone() -> None:
    analysis = song({"vocal": ("melody", "Bb4:1 C5:3 / D5:1 Bb4:3")})
    notes = plan_tension(analysis, make_plan(analysis, []))
    assert curve_term(notes) == "instability"
    assert all(note.before.harmonic is None for note in notes)


def test_without_a_key_or_a_melody_there_is_no_tension() -> None:
    assert plan_tension(empty(), make_plan(empty(), [])) == ()
    assert tension_curve(()) == ()
