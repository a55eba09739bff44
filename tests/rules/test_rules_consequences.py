"""Every kind of consequence: on a small song where it must speak, and on one where it must not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest
from rule_songs import empty, lament, lullaby, modal, rocking, song

from retune.carriers.changes import Consequence
from retune.carriers.heard import Analysis, Role
from retune.rules import make_plan
from retune.rules.sounding import named_sonority
from retune.theory.chords import parse_chord
from retune.theory.keys import parse_key

KINDS = (
    "lost-rest",
    "clash",
    "new-chord",
    "role",
    "parallel",
    "leap",
    "early-rest",
    "range",
    "shift-size",
    "leading-tone",
)


def told(analysis: Analysis, *rules: str, kind: str) -> list[Consequence]:
    return [c for c in make_plan(analysis, rules).consequences if c.kind == kind]


def texts(analysis: Analysis, *rules: str, kind: str) -> list[str]:
    return [consequence.text for consequence in told(analysis, *rules, kind=kind)]


def tune(vocal: str, chart: str = "", bass: str = "", **more: object) -> Analysis:
    parts: dict[str, tuple[Role, str]] = {"vocal": ("melody", vocal)}
    if bass:
        parts["bass"] = ("bass", bass)
    parts["harp"] = ("backing", "")
    return song(parts, chart=chart, **more)  # type: ignore[arg-type]


# --- clash ---------------------------------------------------------------------------------------

HOME = "move phrase-ending degree 2 to degree 1"


def test_the_tonic_over_the_dominant_clashes_with_its_third() -> None:
    found = told(lullaby(), HOME, "keep every note in bars 9-16", kind="clash")
    assert [(c.at_s, c.text) for c in found] == [
        (8.0, "Bar 3: Bb4 sounds a semitone from A, the third of F")
    ]


def test_a_chord_tone_does_not_clash_not_even_in_a_seventh_chord() -> None:
    # Eb and A, the tritone of F7, are both its tones; E is a whole tone and more from all.
    seventh = tune("C5:2 D5:2 C5:4", "Bb | F7")
    assert texts(seventh, "move phrase-ending note to Eb5", kind="clash") == []
    assert texts(seventh, "move phrase-ending note to A4", kind="clash") == []
    assert texts(lullaby(), "move phrase-ending note to degree 1 in phrase 3", kind="clash") == []


def test_a_whole_tone_beside_a_chord_tone_does_not_clash() -> None:
    assert texts(tune("D5:4 D5:4", "Bb | Bb"), "move note at 2:1 to C5", kind="clash") == []


BLUES = "C5:1 D5:1 E5:1 D5:1 C5:1 E5:1 C5:1 G5:1 C5:2 / C5:2"


@pytest.mark.parametrize(
    ("chart", "rule", "clash", "role"),
    [
        # Common practice, no source.
        ("C7 | C7 | C7", "move note at 2:2 to Eb5", [], ["Bar 2: Eb5 is a blue third over C7"]),
        ("C7 | C7 | C7", "move note at 2:4 to Gb5", [], ["Bar 2: Gb5 is a blue fifth over C7"]),
        # By step there and back it is a neighbour, and nothing more need be said of it.
        ("C7 | C7 | C7", "move note at 1:3 to Eb5", [], []),
        ("C7 | C7 | C7", "move note at 2:2 to Bb4", [], []),
        ("C7 | C7 | C7", "move note at 1:3 to Db5",
         ["Bar 1: Db5 sounds a semitone from C, the root of C7"], []),
        ("C7 | C7 | C7", "move note at 1:3 to F5",
         ["Bar 1: F5 sounds a semitone from E, the third of C7"], []),
        ("C | C | C", "move note at 1:3 to Eb5",
         ["Bar 1: Eb5 sounds a semitone from E, the third of C"], []),
        ("G7 | G7 | C", "move note at 1:3 to Bb4",
         ["Bar 1: Bb4 sounds a semitone from B, the third of G7"], []),
    ],
)  # fmt: skip
def test_a_blue_note_over_the_tonic_seventh_is_no_clash(
    chart: str, rule: str, clash: list[str], role: list[str]
) -> None:
    heard = tune(BLUES, chart, key="C major")
    assert texts(heard, rule, kind="clash") == clash
    assert [text for text in texts(heard, rule, kind="role") if "blue" in text] == role


def test_a_note_that_stays_clashes_where_the_band_moves_under_it() -> None:
    # E flat, the root, becomes a fourth over B flat: a semitone from its third.
    found = texts(
        tune("Bb4:4 Eb5:4", "Bb | Eb"), "shift harp down 5 semitones in bar 2", kind="clash"
    )
    assert found == ["Bar 2: Eb5 sounds a semitone from D, the third of Bb"]


def test_what_clashed_before_and_stays_is_not_told() -> None:
    clashing = tune("Bb4:4 Eb5:4", "Bb | Bb")
    assert texts(clashing, "move note at 1:1 to D5", kind="clash") == []


def test_a_bass_moved_alone_clashes_by_its_name() -> None:
    found = texts(lullaby(), "shift bass up 5 semitones in bar 3", kind="clash")
    assert found == ["Bar 3: Bb2 of bass sounds a semitone from A, the third of F"]


# --- new-chord -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rule", "text"),
    [
        ("shift bass, harp up 5 semitones", "F becomes Bb (I), in root position"),
        (
            "shift bass up 5 semitones",
            "F becomes F over Bb: the tonic in the bass, not the tonic chord",
        ),
        ("shift bass down 3 semitones", "F becomes Dm7 (iii7), in root position"),
        ("shift bass down 2 semitones", "F becomes F7/Eb (V42), in third inversion"),
        ("shift bass up 4 semitones", "F becomes F/A (V6), in first inversion"),
        ("shift bass down 5 semitones", "F becomes F/C (V64), in second inversion"),
        ("shift harp up 5 semitones", "F becomes Bb/F (I64), in second inversion"),
    ],
)
def test_a_moved_band_is_named_by_what_sounds(rule: str, text: str) -> None:
    found = told(lullaby(), f"{rule} in bar 3", kind="new-chord")
    assert [(c.at_s, c.text) for c in found] == [(8.0, f"Bar 3: {text}")]


def test_no_new_chord_where_the_band_stays_or_moves_by_octaves() -> None:
    assert texts(lullaby(), HOME, kind="new-chord") == []
    assert texts(lullaby(), "shift bass down an octave in bar 3", kind="new-chord") == []


def test_backing_stems_that_part_have_no_one_chord() -> None:
    two = song(
        {
            "vocal": ("melody", "Bb4:4 Bb4:4"),
            "harp": ("backing", ""),
            "reeds": ("backing", ""),
        },
        chart="Bb | F",
    )
    found = texts(two, "shift harp up 1 semitone in bar 2", kind="new-chord")
    assert found == ["Bar 2: the backing stems part ways over F; what sounds has no one name"]


@pytest.mark.parametrize(
    ("chord", "bass", "label"),
    [
        ("F", "D", "D:min7"),
        ("F", "Eb", "F:7/b7"),
        ("Cm", "A", "A:hdim7"),
        ("Cm", "Ab", "Ab:maj7"),
        ("Bb", "G", "G:min7"),
        ("Gm", "Eb", "Eb:maj7"),
        ("F", "Bb", None),
        ("F7", "Bb", None),
    ],
)
def test_a_sonority_is_named_by_its_pitch_classes(chord: str, bass: str, label: str | None) -> None:
    key = parse_key("Bb major")
    low = parse_chord(bass, key).root_pc
    classes = frozenset({pc for pc, _ in parse_chord(chord, key).tones} | {low})
    found = named_sonority(classes, low, key)
    assert (found.label if found else None) == label


# --- role ----------------------------------------------------------------------------------------


def test_an_unmoved_note_takes_another_role_over_a_moved_band() -> None:
    found = texts(lullaby(), "shift bass down 3 semitones in bars 3-4", kind="role")
    assert found == [
        "Bar 3: C5, not moved, turns from fifth of F to seventh of Dm7",
        "Bar 4: C5, not moved, turns from fifth of F to seventh of Dm7",
    ]


def test_a_phrase_ending_is_judged_by_the_chord_at_its_end() -> None:
    # It sounds on into bar 4, where the bass stays.
    assert texts(lullaby(), "shift bass down 3 semitones in bar 3", kind="role") == []


def test_a_neighbour_that_moves_away_leaves_a_passing_note_without_its_way() -> None:
    line = tune("Bb4:1 C5:1 D5:2", "Bb")
    assert texts(line, "move note D5 to F5", kind="role") == [
        "Bar 1: C5, not moved, turns from passing note to escape note over Bb"
    ]


def test_a_passing_note_becomes_a_neighbour_where_the_line_turns_back() -> None:
    assert texts(tune("Bb4:1 C5:1 D5:2", "Bb"), "move note D5 to Bb4", kind="role") == [
        "Bar 1: C5, not moved, turns from passing note to neighbour note over Bb"
    ]


def test_roles_that_stay_are_not_told() -> None:
    assert texts(lullaby(), HOME, kind="role") == []
    assert texts(tune("Bb4:1 C5:1 D5:2", "Bb"), "move note Bb4 to B4", kind="role") == []


# --- parallel ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("vocal", "bass", "rule", "says"),
    [
        # Bb to C over Bb to C.
        ("D5:2 C5:2", "Bb2:2 C3:2", "move note D5 to Bb4", "octaves"),
        # F to G over Bb to C.
        ("D5:2 G5:2", "Bb2:2 C3:2", "move note D5 to F5", "fifths"),
    ],
)
def test_octaves_and_fifths_with_the_bass(vocal: str, bass: str, rule: str, says: str) -> None:
    found = told(tune(vocal, "Bb . C .", bass), rule, kind="parallel")
    assert [(c.at_s, c.text) for c in found] == [
        (4.0, f"Bar 1: melody and bass move in parallel {says}")
    ]


@pytest.mark.parametrize(
    ("vocal", "bass", "rule"),
    [
        # Parallel as sung.
        ("Bb4:2 C5:2", "Bb2:2 C3:2", "shift every note up an octave"),
        # Contrary motion.
        ("D5:2 C5:2", "C3:2 C4:2", "move note D5 to C5"),
        # The bass stays.
        ("D5:2 C5:2", "Bb2:4", "move note D5 to Bb4"),
        # Thirds.
        ("F5:2 Eb5:2", "Bb2:2 C3:2", "move note F5 to D5"),
        # Between phrases.
        ("D5:2 / C5:2", "Bb2:2 C3:2", "move note D5 to Bb4"),
    ],
)
def test_no_parallels(vocal: str, bass: str, rule: str) -> None:
    assert texts(tune(vocal, "Bb . C .", bass), rule, kind="parallel") == []


# --- leap ----------------------------------------------------------------------------------------


def test_a_leap_over_an_octave_is_told_where_it_lands() -> None:
    found = told(tune("Bb4:2 D5:2"), "move note D5 to C6", kind="leap")
    assert [(c.at_s, c.text) for c in found] == [
        (4.0, "Bar 1: Bb4 to C6 is a leap of more than an octave")
    ]


@pytest.mark.parametrize(
    ("vocal", "rule", "text"),
    [
        ("F4:2 A4:2", "move note F4 to Eb4", "Eb4 to A4 is an augmented fourth"),
        ("F4:2 A4:2", "move note F4 to Gb4", "Gb4 to A4 is an augmented second"),
    ],
)
def test_augmented_leaps(vocal: str, rule: str, text: str) -> None:
    assert texts(tune(vocal), rule, kind="leap") == [f"Bar 1: {text}"]


@pytest.mark.parametrize(
    ("vocal", "rule"),
    [
        # An octave is no more than an octave; a diminished fifth is not augmented.
        ("Bb4:2 D5:2", "move note D5 to Bb5"),
        ("F4:2 Eb5:2", "move note F4 to A4"),
        # A chromatic semitone is no leap.
        ("Eb4:2 F4:2", "move note F4 to E4"),
        # It leapt before.
        ("Bb3:2 D5:2 C5:2", "move note C5 to Bb4"),
    ],
)
def test_no_leap(vocal: str, rule: str) -> None:
    assert texts(tune(vocal), rule, kind="leap") == []


# --- early-rest ----------------------------------------------------------------------------------


def test_the_tonic_before_the_end_is_counted_with_its_chords() -> None:
    found = told(lullaby(), HOME, kind="early-rest")
    assert [(c.at_s, c.text) for c in found] == [
        (
            8.0,
            "Bar 3: the tonic now ends a phrase twice before phrase 4, the last: "
            "phrase 1 over F (open) and phrase 3 over Bb (at rest)",
        )
    ]


def test_a_moved_harmony_alone_can_bring_the_rest() -> None:
    home = tune("D5:2 Bb4:2 / C5:2 Bb4:2", "F | Bb", bass="F2:4 Bb2:4")
    assert texts(home, "shift bass, harp up 5 semitones in bar 1", kind="early-rest") == [
        "Bar 1: the tonic now ends a phrase once before phrase 2, the last: phrase 1 over Bb "
        "(at rest)"
    ]


def test_the_last_phrase_and_what_rested_before_are_not_told() -> None:
    assert texts(lullaby(), "move phrase-ending note to degree 3", kind="early-rest") == []
    assert texts(lullaby(), "move every degree 7 to degree 1", kind="early-rest") == []
    one = tune("D5:2 C5:2")
    assert texts(one, HOME, kind="early-rest") == []


# --- range ---------------------------------------------------------------------------------------


def test_a_note_beyond_what_is_sung() -> None:
    found = texts(tune("Bb4:2 D5:2"), "shift note D5 up 3 semitones", kind="range")
    assert found == ["Bar 1: F5 lies above every note of vocal in this song (D5)"]
    found = texts(tune("Bb4:2 D5:2"), "shift note Bb4 down 3 semitones", kind="range")
    assert found == ["Bar 1: G4 lies below every note of vocal in this song (Bb4)"]


def test_within_what_is_sung_the_range_is_silent() -> None:
    assert texts(lullaby(), HOME, kind="range") == []


def test_a_note_that_was_hardly_heard_does_not_widen_the_range() -> None:
    wide = tune("Bb4:1 D5:1 Bb5:2", unsure=(4.0,))
    assert len(texts(wide, "move note D5 to F5", kind="range")) == 1


# --- shift-size ----------------------------------------------------------------------------------


def test_more_than_three_semitones() -> None:
    found = texts(tune("Bb4:2 D5:2"), "shift note D5 down 4 semitones", kind="shift-size")
    assert found == [
        "Bar 1: D5 of vocal moves by 4 semitones; beyond 3 its effort and colour will not match "
        "the new pitch"
    ]
    assert texts(tune("Bb4:2 D5:2"), "shift note D5 down 3 semitones", kind="shift-size") == []
    whole = texts(lullaby(), "shift harp up 5 semitones in bar 3", kind="shift-size")
    assert [text.split(" moves")[0] for text in whole] == ["Bar 3: harp"]


# --- leading-tone --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("vocal", "rule", "says"),
    [
        ("A4:2 Bb4:2", "move note Bb4 to C5", "A4, the leading tone, is left hanging: C5 follows"),
        ("Bb4:2 G4:2", "move note Bb4 to A4", "A4, the leading tone, is left hanging: G4 follows"),
        ("C5:2 Bb4:2", "move note Bb4 to A4", "the phrase now ends on A4, the leading tone"),
    ],
)
def test_a_leading_tone_left_hanging(vocal: str, rule: str, says: str) -> None:
    found = texts(tune(vocal), rule, kind="leading-tone")
    assert len(found) == 1
    assert found[0].startswith(f"Bar 1: {says}")


@pytest.mark.parametrize(
    ("vocal", "key", "rule"),
    [
        # It rises.
        ("C5:2 Bb4:2", "Bb major", "move note C5 to A4"),
        # It fell before.
        ("A4:2 G4:2", "Bb major", "move note G4 to F4"),
        # It is repeated, and rises then.
        ("Bb4:1 A4:1 Bb4:2", "Bb major", "move note at 1:1 to A4"),
        # The natural seventh of a minor key or of a mode is no leading tone.
        ("G4:2 A4:2", "A minor", "move note A4 to C5"),
        ("C5:2 D5:2", "D dorian", "move note D5 to E5"),
    ],
)
def test_no_leading_tone_hangs(vocal: str, key: str, rule: str) -> None:
    assert texts(tune(vocal, key=key), rule, kind="leading-tone") == []


def test_the_raised_seventh_of_a_minor_key_leads() -> None:
    found = texts(tune("G#4:2 A4:2", key="A minor"), "move note A4 to C5", kind="leading-tone")
    assert len(found) == 1
    assert found[0].startswith("Bar 1: G#4, the leading tone, is left hanging: C5 follows, not A")


# --- all together --------------------------------------------------------------------------------


@pytest.mark.parametrize("make", [lullaby, lament, modal, rocking])
def test_an_empty_plan_has_no_consequence(make: object) -> None:
    analysis = make()  # type: ignore[operator]
    assert make_plan(analysis, []).consequences == ()
    assert make_plan(analysis, ["keep every note"]).consequences == ()


RULES: Sequence[Sequence[str]] = (
    ["shift every note up 1 scale step"],
    ["move phrase-ending note to degree 1", "shift bass up 5 semitones"],
    ["move phrase-ending note to degree 7"],
    ["shift bass, harp down 2 semitones in bars 2-4"],
    ["move every degree 3 to degree b3", "shift vocal down an octave in bar 2"],
)


@pytest.mark.parametrize("rules", RULES, ids=lambda rules: rules[0])
def test_texts_are_whole_sentences_that_matter_first_and_judge_nobody(rules: Sequence[str]) -> None:
    found = make_plan(lullaby(), rules).consequences
    assert found
    # A lost rest matters most, then clashes; each kind of rank in order of time.
    ranks = [({"lost-rest": 0, "clash": 1}.get(c.kind, 2), c.at_s) for c in found]
    assert ranks == sorted(ranks)
    assert len(set(found)) == len(found)
    for consequence in found:
        assert consequence.kind in KINDS
        assert not {"wrong", "better", "fixed", "None"} & set(consequence.text.split())
        assert "♭" not in consequence.text
        assert "  " not in consequence.text


def test_a_song_without_key_bars_or_chords_is_borne() -> None:
    bare = replace(lullaby(), keys=(), chords=())
    plan = make_plan(bare, ["shift phrase-ending note up 12 semitones"])
    assert {c.kind for c in plan.consequences} == {"leap", "range", "shift-size"}
    assert make_plan(empty(), []).consequences == ()


@pytest.mark.parametrize("off_s", [-0.06, 0.0, 0.06])
def test_early_and_late_playing_changes_no_reading(off_s: float) -> None:
    """Singer and bass ahead of the bars or behind them mean the same chords."""

    def loose(analysis: Analysis) -> Analysis:
        stems = {
            name: replace(
                stem,
                notes=tuple(
                    replace(n, start_s=n.start_s + off_s, end_s=n.end_s + 0.04 + off_s)
                    for n in stem.notes
                ),
            )
            for name, stem in analysis.stems.items()
        }
        return replace(analysis, stems=stems)

    plan = make_plan(
        loose(lullaby()), [f"{HOME} in phrase 1", "shift bass, harp up 5 semitones in bars 3-4"]
    )
    assert [c.text for c in plan.consequences if c.kind == "clash"] == []
    assert {e.stem: e.role_after for e in plan.edits if e.note} == {"vocal": "root", "bass": "root"}


def test_a_place_is_said_as_bar_pickup_or_time() -> None:
    found = texts(lullaby(), "shift every note down 5 semitones in bar 0", kind="range")
    assert found == ["The pickup: C4 lies below every note of vocal in this song (F4)"]
    bare = lullaby()
    vocal = bare.stems["vocal"]
    notes = tuple(replace(note, bar=None, beat=None) for note in vocal.notes)
    bare = replace(
        bare,
        bars=replace(bare.bars, downbeats_s=()),
        stems={**bare.stems, "vocal": replace(vocal, notes=notes)},
    )
    found = texts(bare, "shift note F4 down 5 semitones", kind="range")
    assert found == ["1.0 s: C4 lies below every note of vocal in this song (F4)"]
    found = texts(bare, "shift harp up 1 semitone from 8s to 10s", kind="new-chord")
    assert found
    assert found[0].startswith("8.1 s: F becomes ")


def test_a_last_phrase_that_no_longer_comes_home_is_told_first() -> None:
    plan = make_plan(lullaby(), ["move phrase-ending note to degree 2 in phrase last"])
    first = plan.consequences[0]
    assert first.kind == "lost-rest"
    assert "no longer comes home: it ends on C5, degree 2, over Bb (open)" in first.text


def test_the_leading_tone_hangs_rightly_over_a_half_cadence() -> None:
    half = song({"vocal": ("melody", "Bb4:4 C5:4 / C5:4 Bb4:4")}, chart="Bb | F | F7 | Bb")
    plan = make_plan(half, ["move phrase-ending note to degree 7 in phrase 1"])
    assert "leading-tone" not in {c.kind for c in plan.consequences}
    plan = make_plan(half, ["move phrase-ending note to degree 7 in phrase 2"])
    assert "leading-tone" in {c.kind for c in plan.consequences}


def test_a_note_is_told_at_the_bar_in_which_it_sounds() -> None:
    held = song({"vocal": ("melody", "Bb4:3 C5:5 / C5:4 Bb4:4")}, chart="Bb | F | F7 | Bb")
    plan = make_plan(held, ["move phrase-ending note to degree 1 in phrase 1"])
    assert [e.bar for e in plan.edits] == [2]
    assert any(c.text.startswith("Bars 1-2: Bb4 sounds a semitone") for c in plan.consequences)
