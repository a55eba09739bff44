"""Where a note goes: targets and intervals, in major, minor and modes."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rule_songs import song

from retune.carriers.heard import Chord, Key, Note
from retune.rules import make_plan, parse_rule
from retune.rules.model import Interval, Target
from retune.rules.targets import (
    Goal,
    NoGoal,
    followed,
    goal_of_interval,
    goal_of_target,
    steps_between,
)
from retune.theory.chords import parse_chord
from retune.theory.keys import MODES, degree_of, scale_semitones, tonic_pc
from retune.theory.pitchnames import parse_pitch_name
from retune.theory.spelling import pitch_name

BB, A_MINOR, D_DORIAN = Key("Bb", "major"), Key("A", "minor"), Key("D", "dorian")


def note(name: str, chord: str | None = None, key: Key | None = BB) -> Note:
    midi = parse_pitch_name(name)
    read: Chord | None = None if chord is None else parse_chord(chord, key)
    return Note(1, 0.0, 1.0, midi + 0.2, name, 20.0, chord=read)


def target(text: str) -> Target:
    read = parse_rule(f"move every note to {text}").target
    assert read is not None
    return read


def interval(text: str) -> Interval:
    read = parse_rule(f"shift every note {text}").interval
    assert read is not None
    return read


def goal(of: Note, text: str, key: Key | None = BB) -> Goal:
    found = goal_of_target(of, target(text), key)
    assert isinstance(found, Goal)
    return found


@pytest.mark.parametrize(
    ("start", "words", "ends", "cents"),
    [
        ("C5", "degree 1", "Bb4", -200),
        ("C5", "the tonic", "Bb4", -200),
        ("A4", "degree 1", "Bb4", 100),
        ("F4", "degree 1", "Bb4", 500),
        ("C5", "degree 1 above", "Bb5", 1000),
        ("A4", "degree 1 below", "Bb3", -1100),
        # Above and below mean another note, also from the degree itself.
        ("Bb4", "degree 1 above", "Bb5", 1200),
        ("Bb4", "degree 1 below", "Bb3", -1200),
        ("D5", "degree b3", "Db5", -100),
        ("Eb5", "degree #4", "E5", 100),
        ("Bb4", "A4", "A4", -100),
        ("Bb4", "A", "A4", -100),
        ("Bb4", "A above", "A5", 1100),
        ("Bb4", "F3", "F3", -1700),
        ("C5", "Cb", "B4", -100),
    ],
)  # fmt: skip
def test_degrees_and_names(start: str, words: str, ends: str, cents: float) -> None:
    found = goal(note(start), words)
    assert (found.midi, found.shift_cents) == (parse_pitch_name(ends), cents)


@pytest.mark.parametrize(
    ("start", "chord", "words", "ends"),
    [
        ("C5", "Bb", "nearest chord tone", "Bb4"),
        ("Eb5", "Bb", "nearest chord tone", "D5"),
        ("C5", "Bb", "nearest chord tone above", "D5"),
        ("D5", "Bb", "nearest chord tone", "D5"),
        ("D5", "Bb", "nearest chord tone above", "F5"),
        ("D5", "Bb", "nearest chord tone below", "Bb4"),
        ("C5", "F7", "chord root", "F5"),
        ("C5", "F7", "chord root below", "F4"),
        ("C5", "F7", "chord third", "A4"),
        ("C5", "F7", "chord seventh", "Eb5"),
        ("C5", "Gm", "chord fifth", "D5"),
    ],
)
def test_chord_tones(start: str, chord: str, words: str, ends: str) -> None:
    assert goal(note(start, chord), words).midi == parse_pitch_name(ends)


@pytest.mark.parametrize(
    ("of", "words", "why"),
    [
        (note("C5"), "nearest chord tone", "no chord is known"),
        (note("C5", "N.C."), "nearest chord tone", "no chord is known"),
        (note("C5"), "chord root", "no chord is known"),
        (note("C5", "F"), "chord seventh", "F has no seventh"),
    ],
)
def test_a_note_with_nowhere_to_go_says_why(of: Note, words: str, why: str) -> None:
    found = goal_of_target(of, target(words), BB)
    assert isinstance(found, NoGoal)
    assert why in found.why


def test_without_a_key_names_and_semitones_still_read() -> None:
    assert goal(note("C5"), "Bb4", None).shift_cents == -200
    assert goal_of_interval(note("C5"), interval("down 2 semitones"), None) == Goal(70, -200.0)
    for found in (
        goal_of_target(note("C5"), target("degree 1"), None),
        goal_of_interval(note("C5"), interval("up 1 scale step"), None),
    ):
        assert isinstance(found, NoGoal)
        assert "no key" in found.why


def test_a_tie_between_octaves_goes_down_and_says_so() -> None:
    found = goal(note("E5"), "degree 1")
    assert (found.midi, found.remark) == (70, "Bb5 is as near; down was taken")


def test_a_tie_between_chord_tones_goes_down_and_says_so() -> None:
    # C lies a tone from Bb and from D, both of the chord of B flat.
    found = goal(note("C5", "Bb"), "nearest chord tone")
    assert (found.midi, found.remark) == (70, "D5 is as near; down was taken")


@pytest.mark.parametrize(
    ("start", "chord", "words", "ends", "says"),
    [
        ("A4", "E", "degree 7 below", "G#4", "raised"),
        ("A4", "E7", "degree 7 below", "G#4", "raised"),
        ("A4", "G", "degree 7 below", "G4", "natural"),
        ("A4", "Am", "degree 7 below", "G4", "natural"),
        ("A4", None, "degree 7 below", "G4", "natural"),
        ("G4", "D", "degree 6", "F#4", "raised"),
        ("G4", "Dm", "degree 6", "F4", "natural"),
        ("A4", "Am", "degree #7 below", "G#4", ""),
    ],
)
def test_in_minor_six_and_seven_take_the_form_of_the_chord(
    start: str, chord: str | None, words: str, ends: str, says: str
) -> None:
    found = goal(note(start, chord, A_MINOR), words, A_MINOR)
    assert found.midi == parse_pitch_name(ends)
    assert says in found.remark
    assert bool(found.remark) == bool(says)


def test_a_degree_counted_from_the_major_scale_is_pointed_out() -> None:
    remark = goal(note("C5", "Am", A_MINOR), "degree b3", A_MINOR).remark
    assert remark == "degrees count in the scale of A minor: there degree b3 is B, its degree 2"
    assert goal(note("D5"), "degree b3").remark == ""


def test_in_dorian_the_sixth_and_seventh_are_the_modes_own() -> None:
    assert goal(note("A4", "G", D_DORIAN), "degree 6", D_DORIAN) == Goal(71, 200.0)
    assert goal(note("D5", "A", D_DORIAN), "degree 7", D_DORIAN) == Goal(72, -200.0)


@pytest.mark.parametrize(
    ("start", "words", "ends", "cents"),
    [
        ("C5", "up a second", "D5", 200),
        ("D5", "up a second", "Eb5", 100),
        ("C5", "up a third", "Eb5", 300),
        ("C5", "down a fifth", "F4", -700),
        ("Bb4", "up a seventh", "A5", 1100),
        ("C5", "up an octave", "C6", 1200),
        ("C5", "down 2 octaves", "C3", -2400),
        ("C5", "down 3 semitones", "A4", -300),
        # From a chromatic note the first step goes to the next scale note.
        ("E5", "up 1 scale step", "F5", 100),
        ("E5", "down 1 scale step", "Eb5", -100),
        ("C5", "up 25 cents", "C5", 25),
        ("C5", "down 120 cents", "B4", -120),
    ],
)
def test_intervals(start: str, words: str, ends: str, cents: float) -> None:
    found = goal_of_interval(note(start), interval(words), BB)
    assert found == Goal(parse_pitch_name(ends), cents)


def test_a_pitch_beyond_all_names_is_no_goal() -> None:
    assert isinstance(goal_of_interval(note("G9"), interval("up 1 semitone"), BB), NoGoal)
    assert isinstance(goal_of_interval(note("C-1"), interval("down an octave"), BB), NoGoal)


# --- the arithmetic, in every key ----------------------------------------------------------------

keys = st.builds(Key, st.sampled_from(("C", "Bb", "F#", "Eb", "A")), st.sampled_from(list(MODES)))
midis = st.integers(40, 90)


@given(midis, keys, st.integers(1, 7), st.sampled_from((None, "above", "below")))
def test_a_degree_is_reached_and_nearest(midi: int, key: Key, digit: int, side: str | None) -> None:
    found = goal(note(pitch_name(midi)), f"degree {digit}{f' {side}' if side else ''}", key)
    reached = degree_of(found.midi, key)
    assert reached == str(digit) or (key.mode == "minor" and reached == f"#{digit}")
    distance = found.midi - midi
    if side is None:
        assert -6 <= distance <= 5
    else:
        assert 0 < distance * (1 if side == "above" else -1) <= 12


@given(midis, keys, st.integers(-9, 9))
def test_steps_are_counted_back(midi: int, key: Key, steps: int) -> None:
    if (midi - tonic_pc(key)) % 12 not in scale_semitones(key):
        return
    words = f"{'up' if steps > 0 else 'down'} {abs(steps)} scale steps"
    if steps == 0:
        assert steps_between(midi, midi, key) == 0
        return
    found = goal_of_interval(note(pitch_name(midi)), interval(words), key)
    assert isinstance(found, Goal)
    assert steps_between(midi, found.midi, key) == steps
    assert followed(note(pitch_name(midi)), midi, found.midi, key) == found.midi


def test_a_follower_goes_by_semitones_where_the_leader_leaves_the_scale() -> None:
    assert followed(note("G4"), parse_pitch_name("D5"), parse_pitch_name("Db5"), BB) == 66
    # Within the scale a third under the melody stays a third.
    assert followed(note("A4"), parse_pitch_name("C5"), parse_pitch_name("Bb4"), BB) == 67


def test_what_was_typed_keeps_its_spelling() -> None:
    bare = song({"vocal": ("melody", "C5:1 F4:1 A4:1 C5:1")}, key="C major")
    for typed, name, degree in (
        ("G#4", "G#4", "#5"),
        ("Ab4", "Ab4", "b6"),
        ("G#", "G#4", "#5"),
        ("F#4", "F#4", "#4"),
        ("Gb", "Gb4", "b5"),
        ("A4", "A4", "6"),
    ):
        (edit,) = make_plan(bare, [f"move note at 4s to {typed}"]).edits or (None,)
        if typed == "A4":
            assert edit is None
            continue
        assert edit is not None
        assert (edit.to_name, edit.to_degree) == (name, degree)


def test_intervals_are_named_from_their_spelling() -> None:
    # F to G sharp is an augmented second, F to A flat a third: common practice, no source.
    bare = song({"vocal": ("melody", "C5:1 F4:1 A4:1 C5:1")}, key="C major")
    sharp = make_plan(bare, ["move note at 4s to G#4"]).consequences
    flat = make_plan(bare, ["move note at 4s to Ab4"]).consequences
    assert [c.text for c in sharp if c.kind == "leap"] == [
        "Bar 1: F4 to G#4 is an augmented second"
    ]
    assert not [c for c in flat if c.kind == "leap"]
