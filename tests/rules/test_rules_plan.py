"""Plans: who moves what, what wins, what is kept, what goes along, and what is told."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest
from rule_songs import empty, lament, lullaby, modal, modulating, rocking, song

from retune.carriers.changes import Edit, Plan
from retune.carriers.errors import InputError, RuleError, UsageError
from retune.carriers.heard import Analysis
from retune.rules import make_plan

HOME = "move phrase-ending degree 2 to degree 1"


def moves(plan: Plan, stem: str = "vocal") -> list[tuple[int | None, str | None, float]]:
    return [(e.note, e.to_name, e.shift_cents) for e in plan.of_stem(stem)]


def tune(vocal: str, chart: str = "", key: str = "Bb major", **more: object) -> Analysis:
    return song({"vocal": ("melody", vocal)}, chart=chart, key=key, **more)  # type: ignore[arg-type]


# --- an edit in full -----------------------------------------------------------------------------


def test_an_edit_tells_all_of_its_note() -> None:
    first = make_plan(lullaby(), [HOME], name="home").edits[0]
    note = lullaby().stems["vocal"].note(6)
    assert first == Edit(
        stem="vocal",
        start_s=8.0,
        end_s=note.end_s,
        shift_cents=-200.0,
        rule=HOME,
        note=6,
        from_name="C5",
        to_name="Bb4",
        from_degree="2",
        to_degree="1",
        bar=3,
        phrase=1,
        chord="F",
        role_before="fifth",
        role_after="unresolved",
        stability_before=note.stability,
        # Krumhansl & Kessler's tonic is the most stable of the twelve.
        stability_after=1.0,
    )


def test_the_cents_are_whole_steps_between_names_whatever_was_sung() -> None:
    sung = lullaby().stems["vocal"].note(6)
    assert sung.cents_from_name == pytest.approx(7.0)
    assert {e.shift_cents for e in make_plan(lullaby(), [HOME]).edits} == {-200.0}


def test_a_plan_knows_its_name_and_its_rules_in_canonical_form() -> None:
    plan = make_plan(
        lullaby(), ["# a comment", "", "MOVE the phrase-endings to the tonic"], name="x"
    )
    assert (plan.name, plan.rules) == ("x", ("move phrase-ending note to degree 1",))


# --- all rules match the original ----------------------------------------------------------------


def test_two_degrees_are_swapped_in_one_variant() -> None:
    plan = make_plan(
        modulating(),
        ["move phrase-ending degree 2 to degree 1", "move phrase-ending degree 1 to degree 2"],
    )
    assert moves(plan) == [
        (5, "C5", -200.0),
        (10, "D5", 200.0),
        (15, "D5", -200.0),
        (20, "E5", 200.0),
    ]
    assert plan.warnings == ()


def test_a_modulation_is_followed() -> None:
    assert [e.to_name for e in make_plan(modulating(), [HOME]).edits] == ["C5", "D5"]


# --- conflicts, keep -----------------------------------------------------------------------------


def test_the_later_of_two_rules_wins_and_says_so() -> None:
    later = "move phrase-ending note to degree 3 in phrase 1"
    plan = make_plan(lullaby(), [HOME, later])
    assert [e for e in moves(plan) if e[0] == 6] == [(6, "D5", 200.0)]
    assert plan.warnings == (
        f'C5 at 8.00 s, bar 3 is claimed by two rules: "{HOME}" and "{later}"; the later wins',
    )


def test_a_later_rule_that_leaves_a_note_where_it_is_wins_too() -> None:
    stay = "move phrase-ending note to degree 2 in phrase 1"
    plan = make_plan(lullaby(), [HOME, stay])
    assert 6 not in [note for note, _, _ in moves(plan)]
    assert any("claimed by two rules" in line for line in plan.warnings)
    assert any("1 note is there already" in line for line in plan.warnings)


def test_the_same_rule_twice_is_no_conflict() -> None:
    assert make_plan(lullaby(), [HOME, HOME]) == replace(
        make_plan(lullaby(), [HOME]), rules=(HOME, HOME)
    )


@pytest.mark.parametrize("order", [0, 1])
def test_keep_protects_from_every_rule_before_and_after(order: int) -> None:
    rules = [HOME, "keep every note in phrase 1"]
    plan = make_plan(lullaby(), rules[::-1] if order else rules)
    assert {note for note, _, _ in moves(plan)} == {22, 23}
    assert plan.warnings == ()


def test_a_move_onto_itself_is_no_edit_and_warns() -> None:
    plan = make_plan(lullaby(), ["move phrase-ending note to degree 1"])
    assert 31 not in [note for note, _, _ in moves(plan)]
    assert any("1 note is there already; no edit" in line for line in plan.warnings)


# --- what belongs to an ending -------------------------------------------------------------------


def test_a_struck_again_ending_moves_together() -> None:
    assert moves(make_plan(lullaby(), [f"{HOME} in phrase 3"])) == [
        (22, "Bb4", -200.0),
        (23, "Bb4", -200.0),
    ]


def test_a_tail_follows_by_scale_steps() -> None:
    # G with a turn up to A over C7: the ending goes to F, the tail a step above it.
    plan = make_plan(rocking(), [HOME])
    assert [(e.from_name, e.to_name, e.shift_cents) for e in plan.edits] == [
        ("G4", "F4", -200.0),
        ("A4", "G4", -200.0),
    ]
    # A step up from F is G, two semitones; from E, the seventh below it, one: F.
    plan = make_plan(rocking(), ["move phrase-ending degree 2 to degree 7 below"])
    assert [(e.to_name, e.shift_cents) for e in plan.edits] == [("E4", -300.0), ("F4", -400.0)]


def test_cents_move_a_tail_by_the_same_cents() -> None:
    plan = make_plan(rocking(), ["shift phrase-ending degree 2 up 25 cents"])
    assert [(e.to_name, e.shift_cents) for e in plan.edits] == [("G4", 25.0), ("A4", 25.0)]


def test_a_tail_follows_by_scale_steps_in_the_manner_of_its_ending() -> None:
    plan = make_plan(rocking(), ["move phrase-ending degree 2 to degree 7 below 20 cents flat"])
    assert [(e.to_name, e.shift_cents) for e in plan.edits] == [("E4", -320.0), ("F4", -420.0)]


def test_a_rule_for_the_tail_itself_goes_before_the_ending_it_belongs_to() -> None:
    tail = "move note at 5.7s to C5"
    for rules in ([tail, HOME], [HOME, tail]):
        plan = make_plan(rocking(), rules)
        assert [(e.from_name, e.to_name) for e in plan.edits] == [("G4", "F4"), ("A4", "C5")]
    told = make_plan(rocking(), [tail, HOME]).warnings
    assert len(told) == 1
    assert "belongs to the ending before it" in told[0]


def test_a_rule_that_means_ending_and_tail_moves_each_to_its_own_goal() -> None:
    plan = make_plan(rocking(), ["move every note to degree 3 in bar 2"])
    # The tail is on 3 already and stays there.
    assert [(e.from_name, e.to_name) for e in plan.edits] == [("G4", "A4")]


def test_keep_of_an_ending_keeps_its_tail() -> None:
    rules = ["shift every note up 1 semitone in bar 2", "keep phrase-ending note in phrase 1"]
    assert make_plan(rocking(), rules).edits == ()


# --- minor, modes, meters, pickups ---------------------------------------------------------------


def test_degree_7_of_a_minor_key_means_both_its_forms() -> None:
    plan = make_plan(lament(), ["move phrase-ending degree 7 to degree 1"])
    assert [(e.from_name, e.from_degree, e.to_name) for e in plan.edits] == [
        ("G#4", "#7", "A4"),
        ("G4", "7", "A4"),
    ]


def test_as_a_target_degree_7_takes_the_form_of_the_chord_and_says_which() -> None:
    plan = make_plan(lament(), ["move phrase-ending degree 2 to degree 7 below"])
    assert [(e.to_name, e.to_degree) for e in plan.edits] == [("G#4", "#7")]
    assert "raised, as in the chord" in plan.warnings[0]
    plan = make_plan(lament(), ["move phrase-ending degree 1 to degree 7 below"])
    assert [(e.to_name, e.to_degree) for e in plan.edits] == [("G4", "7")]
    assert "natural form" in plan.warnings[0]


def test_a_mode_counts_in_its_own_scale() -> None:
    plan = make_plan(modal(), ["shift phrase-ending note up 1 scale step"])
    assert [(e.from_degree, e.to_degree, e.to_name) for e in plan.edits] == [
        ("7", "1", "D5"),
        ("2", "3", "F4"),
        ("1", "2", "E4"),
    ]


def test_bars_of_six_eight_have_two_beats() -> None:
    plan = make_plan(rocking(), ["move note at 1:2 to degree 1"])
    assert [(e.bar, e.from_name, e.to_name) for e in plan.edits] == [(1, "G4", "F4")]
    with pytest.raises(InputError, match=r"beats 1 to 2"):
        make_plan(rocking(), ["move note at 1:3 to degree 1"])


def test_a_pickup_is_bar_0_and_belongs_to_its_phrase() -> None:
    plan = make_plan(lullaby(), ["shift every note up 1 scale step in bar 0"])
    assert [(e.from_name, e.bar, e.phrase) for e in plan.edits] == [("F4", 0, 1)]
    opening = make_plan(lullaby(), ["shift phrase-opening note up 1 scale step in phrase 2"])
    assert [(e.note, e.bar, e.phrase) for e in opening.edits] == [(7, 4, 2)]


def test_an_anticipation_is_told_as_one() -> None:
    plan = make_plan(
        tune("D5:3 r:1/2 C5:1/2 C5:4", "Bb | F"), ["shift note at 5.6s down 3 semitones"]
    )
    # A belongs to the chord to come, but nothing takes it up there.
    assert [(e.role_before, e.role_after) for e in plan.edits] == [("anticipation", "unresolved")]


def test_roles_after_are_heard_over_the_band_as_moved() -> None:
    rules = [f"{HOME} in phrase 1", "shift bass, harp up 5 semitones in bars 3-4"]
    plan = make_plan(lullaby(), rules)
    by_stem = {e.stem: e.role_after for e in plan.edits}
    assert by_stem == {"vocal": "root", "bass": "root", "harp": None}


def test_what_is_true_of_many_notes_is_said_once() -> None:
    plan = make_plan(lament(), ["move highest note to degree 7"])
    assert plan.warnings == (
        'rule "move highest note to degree 7": C5 at 3.00 s, bar 1 and 3 more: degree 7 is taken '
        "in its natural form",
    )
    chordless = make_plan(tune("Bb4:2 C5:2"), ["move every note to chord third"])
    assert chordless.edits == ()
    assert chordless.warnings == (
        'rule "move every note to chord third": Bb4 at 2.00 s, bar 1 and 1 more: not moved: no '
        "chord is known there",
    )


def test_a_struck_again_ending_clashes_once() -> None:
    plan = make_plan(lullaby(), ["move phrase-ending note to degree b3 in phrase 3"])
    assert [e.note for e in plan.edits] == [22, 23]
    assert [c.text for c in plan.consequences if c.kind == "clash"] == [
        "Bar 12: Db5 sounds a semitone from D, the third of Bb"
    ]


def test_a_leading_tone_that_falls_to_another_tonic_hangs_too() -> None:
    plan = make_plan(tune("C5:2 Bb4:2"), ["move note C5 to A5"])
    assert [c.text for c in plan.consequences if c.kind == "leading-tone"] == [
        "Bar 1: A5, the leading tone, is left hanging: Bb4 follows, not Bb5"
    ]


# --- whole stems ---------------------------------------------------------------------------------


def spans(plan: Plan, stem: str = "harp") -> list[tuple[float, float, float]]:
    return [(e.start_s, e.end_s, e.shift_cents) for e in plan.of_stem(stem)]


def test_a_whole_stem_moves_between_bars() -> None:
    plan = make_plan(lullaby(), ["shift harp down 2 semitones in bars 3-4"])
    assert spans(plan) == [(8.0, 14.0, -200.0)]
    edit = plan.edits[0]
    assert (edit.note, edit.from_name, edit.bar, edit.chord) == (None, None, 3, "F")


def test_kept_parts_are_cut_out_of_a_whole_stem() -> None:
    rules = ["keep harp in bar 4", "shift harp up 50 cents in bars 3-5"]
    for order in (rules, rules[::-1]):
        assert spans(make_plan(lullaby(), order)) == [(8.0, 11.0, 50.0), (14.0, 17.0, 50.0)]


def test_of_two_rules_the_later_takes_the_overlap() -> None:
    rules = ["shift harp up 1 semitone in bars 2-4", "shift harp up an octave in bar 3"]
    plan = make_plan(lullaby(), rules)
    assert spans(plan) == [(5.0, 8.0, 100.0), (8.0, 11.0, 1200.0), (11.0, 14.0, 100.0)]
    assert any("stem harp is claimed by two rules from 8.00 s" in line for line in plan.warnings)


@pytest.mark.parametrize(
    ("later", "left"),
    [("2", [(8.0, 14.0, 100.0)]), ("4", [(5.0, 11.0, 100.0)]), ("2-4", []), ("1-5", [])],
)
def test_a_later_rule_leaves_no_splinter_of_an_earlier_one(
    later: str, left: list[tuple[float, float, float]]
) -> None:
    rules = ["shift harp up 1 semitone in bars 2-4", f"shift harp up an octave in bars {later}"]
    found = spans(make_plan(lullaby(), rules))
    assert [span for span in found if span[2] == 100.0] == left


def test_what_a_whole_stem_cannot_do_is_said() -> None:
    def told(rule: str) -> str:
        plan = make_plan(lullaby(), [rule])
        assert plan.edits == ()
        (line,) = plan.warnings
        return line

    assert "is not one voice" in told("move harp every note to degree 1")
    assert 'write "keep harp ..."' in told("keep harp every note")
    assert "not by scale steps" in told("shift harp up a third in bar 3")
    assert "no part of stem harp lies there" in told("shift harp up 1 semitone in bar 99")


def test_an_unpitched_stem_stays() -> None:
    drums = song({"vocal": ("melody", "Bb4:4"), "brushes": ("unpitched", "")})
    plan = make_plan(drums, ["shift brushes up 1 semitone"])
    assert plan.edits == ()
    assert "unpitched and stays" in plan.warnings[0]


# --- doubt, nothing, errors ----------------------------------------------------------------------


def test_a_doubtful_note_is_moved_with_a_warning_once() -> None:
    unsure = tune("Bb4:2 C5:2 / D5:2 Bb4:2", unsure=(4.0,))
    plan = make_plan(unsure, [HOME])
    assert len(plan.edits) == 1
    assert [line for line in plan.warnings if "in doubt" in line] == [
        "C5 at 4.00 s, bar 1 is in doubt (the tracker is not sure): "
        "listen before you trust this edit"
    ]
    assert not any("in doubt" in line for line in make_plan(unsure, [HOME, "keep vocal"]).warnings)


@pytest.mark.parametrize(
    ("rule", "says"),
    [
        (
            "move phrase-ending degree 6 to degree 1",
            "phrases end: phrase 1 on 2 over F, phrase 2 on 3 over Gm, phrase 3 on 2 over Bb, "
            "phrase 4 on 1 over Bb (4 phrases, bars to 16)",
        ),
        ("move every degree 6 to degree 1", "vocal sings degrees 1, 2, 3, 4, 5, 7"),
        ("move note G5 to F5", "vocal sings F4, A4, Bb4, C5, D5, Eb5, F5"),
        ("move note at 1.97s to F5", "the nearest to 1.97 s is F4 from 1.00 s, bar 0:3"),
        ("move bass note G5 to F5", "bass plays F2, G2, Bb2, C3, D3, Eb3"),
    ],
)
def test_a_rule_that_matches_nothing_shows_what_there_is(rule: str, says: str) -> None:
    plan = make_plan(lullaby(), [rule])
    assert plan.edits == ()
    (line,) = plan.warnings
    assert line.startswith(f'rule "{rule}" matches nothing; ')
    assert says in line


def test_a_stem_in_which_nothing_was_heard() -> None:
    plan = make_plan(empty(), [HOME, "shift vocal up 1 semitone"])
    assert plan.edits == ()
    assert all("no notes were heard in stem vocal" in line for line in plan.warnings)


def test_a_rule_that_does_not_read_stops_the_plan() -> None:
    with pytest.raises(RuleError, match='did you mean "degree"'):
        make_plan(lullaby(), [HOME, "move phrase-ending degre 2 to degree 1"])


def test_without_a_melody_a_rule_must_name_its_stem() -> None:
    band = song({"bass": ("bass", "Bb2:4"), "harp": ("backing", "")})
    with pytest.raises(InputError, match="name a stem in the rule, such as bass, harp"):
        make_plan(band, [HOME])
    assert make_plan(band, ["shift bass up 1 semitone"]).edits


def test_a_mix_with_notes_is_a_melody() -> None:
    mixed = song({"song": ("mix", "Bb4:2 C5:2 / C5:2 Bb4:2")})
    assert moves(make_plan(mixed, [HOME]), "song") == [(2, "Bb4", -200.0)]


def test_edits_come_in_order_and_never_overlap() -> None:
    rules = ["shift every note up 1 scale step", "shift bass, harp up 2 semitones"]
    edits = make_plan(lullaby(), rules).edits
    assert [e.start_s for e in edits] == sorted(e.start_s for e in edits)
    for stem in ("vocal", "bass", "harp"):
        own = [e for e in edits if e.stem == stem]
        assert own
        assert all(a.end_s <= b.start_s for a, b in itertools.pairwise(own))


def test_the_nearest_note_is_named_in_the_middle_of_a_song_too() -> None:
    tuned = tune("Bb4:2 r:2 C5:1 r:3 D5:2")
    for at_s, name in ((4.6, "Bb4"), (5.5, "C5"), (7.4, "C5"), (9.6, "D5")):
        (line,) = make_plan(tuned, [f"move note at {at_s}s to F5"]).warnings
        assert f"the nearest to {at_s:.2f} s is {name} from" in line


def test_a_note_that_comes_more_than_half_a_beat_early_is_no_anticipation() -> None:
    plan = make_plan(
        tune("D5:2 r:1/2 C5:3/2 F5:4", "Bb | F"), ["shift note at 4.6s down 3 semitones"]
    )
    assert "anticipation" not in {
        role for e in plan.edits for role in (e.role_before, e.role_after)
    }


@pytest.mark.parametrize("semitones", [11, 12])
def test_a_band_moved_by_an_octave_plays_the_chord_it_played(semitones: int) -> None:
    rules = [f"{HOME} in phrase 3", f"shift bass, harp up {semitones} semitones in bars 1-16"]
    roles = {e.role_after for e in make_plan(lullaby(), rules).of_stem("vocal")}
    assert roles == {"root" if semitones == 12 else "unresolved"}


def test_a_plan_refuses_what_a_render_would_refuse() -> None:
    analysis = song({"vocal": ("melody", "C4:1 D4:1")}, key="C major")
    with pytest.raises(UsageError, match=r'"shift every note up 2 octaves": .*more than an octave'):
        make_plan(analysis, ["shift every note up 2 octaves"])
    assert make_plan(analysis, ["shift every note up 1 octave"]).edits
