"""Keys, scales and degrees in the key's own digits."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retune.carriers.errors import InputError
from retune.carriers.heard import Key
from retune.theory.keys import (
    MODES,
    degree_of,
    degree_semitone,
    nearest_midi_of_class,
    nearest_midi_of_degree,
    parse_degree,
    parse_key,
    scale_semitones,
    spell_degree,
    step_in_scale,
)
from retune.theory.pitchnames import parse_pitch_name

TONICS = ("C", "G", "D", "A", "E", "B", "F#", "C#", "F", "Bb", "Eb", "Ab", "Db", "Gb", "Cb")
keys = st.builds(Key, st.sampled_from(TONICS), st.sampled_from(tuple(MODES)))


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("Bb major", Key("Bb", "major")),
        ("  f#   Dorian ", Key("F#", "dorian")),
        ("E♭ Minor", Key("Eb", "minor")),
        ("D min", Key("D", "minor")),
        ("bb Maj", Key("Bb", "major")),
    ],
)
def test_keys_are_read(text: str, key: Key) -> None:
    assert parse_key(text) == key


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("Am", 'such as "A minor"'),
        ("Eb", 'such as "Eb major"'),
        ("A aeolian", 'did you mean "minor"'),
        ("A majr", 'did you mean "major"'),
        ("H minor", "not a tonic"),
        ("A harmonic minor", "not a key"),
        ("", "not a key"),
    ],
)
def test_bad_keys_say_what_to_write(text: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        parse_key(text)


def test_modes_are_the_white_keys() -> None:
    # common practice, no source: C major, D dorian, E phrygian ... share the white keys
    white = {0, 2, 4, 5, 7, 9, 11}
    tonics = {"major": 0, "dorian": 2, "phrygian": 4, "lydian": 5, "mixolydian": 7, "minor": 9}
    for mode, tonic in {**tonics, "locrian": 11}.items():
        assert {(tonic + s) % 12 for s in scale_semitones(Key("C", mode))} == white


@pytest.mark.parametrize(
    ("key", "name", "degree"),
    [
        ("A minor", "G4", "7"),
        ("A minor", "G#4", "#7"),
        ("A minor", "F#4", "#6"),
        ("A minor", "C#4", "#3"),
        ("A dorian", "F#4", "6"),
        ("A dorian", "F4", "b6"),
        ("Bb major", "E4", "#4"),
        ("Bb major", "Ab4", "b7"),
        ("F lydian", "B4", "4"),
        ("F lydian", "Bb4", "b4"),
        ("E phrygian", "F4", "2"),
        ("E phrygian", "F#4", "#2"),
        ("G mixolydian", "F4", "7"),
        ("G mixolydian", "F#4", "#7"),
    ],
)
def test_degrees_count_the_own_scale(key: str, name: str, degree: str) -> None:
    assert degree_of(parse_pitch_name(name), parse_key(key)) == degree


def test_degrees_are_read() -> None:
    assert parse_degree("b3") == (-1, 3)
    assert parse_degree("#4") == (1, 4)
    assert parse_degree("♭♭7") == (-2, 7)
    for bad in ("8", "0", "9", "b", "3b", "b#3", "", "bbb3"):
        with pytest.raises(InputError, match="degrees are 1 to 7"):
            parse_degree(bad)


def test_other_spellings_of_degrees_are_understood() -> None:
    major = Key("C", "major")
    assert [degree_semitone(d, major) for d in ("#1", "#2", "#5", "b5", "b1")] == [1, 3, 8, 6, 11]


def test_degrees_are_spelled_on_their_letter() -> None:
    assert spell_degree("#5", Key("C", "major")) == "G#"
    assert spell_degree("b6", Key("C", "major")) == "Ab"
    assert spell_degree("#4", Key("Cb", "major")) == "F"
    assert spell_degree("bb7", Key("Cb", "major")) == "Ab"  # three flats are not written


@given(st.integers(0, 127), keys)
def test_degree_and_pitch_agree(midi: int, key: Key) -> None:
    assert nearest_midi_of_degree(degree_of(midi, key), key, midi) == midi
    semitone = degree_semitone(degree_of(midi, key), key)
    assert (semitone in scale_semitones(key)) == (len(degree_of(midi, key)) == 1)


def test_nearest_pitch_of_a_degree() -> None:
    key = Key("Bb", "major")
    c5 = parse_pitch_name("C5")
    assert nearest_midi_of_degree("1", key, c5) == parse_pitch_name("Bb4")
    assert nearest_midi_of_degree("1", key, c5, "above") == parse_pitch_name("Bb5")
    assert nearest_midi_of_degree("2", key, c5, "above") == parse_pitch_name("C6")
    assert nearest_midi_of_degree("2", key, c5, "below") == parse_pitch_name("C4")


def test_a_tie_goes_down() -> None:
    assert nearest_midi_of_class(6, 60) == 54
    assert nearest_midi_of_class(6, 60, "above") == 66


@given(st.integers(0, 11), st.integers(20, 100))
def test_the_nearest_is_never_over_a_tritone_away(pitch_class: int, near: int) -> None:
    found = nearest_midi_of_class(pitch_class, near)
    assert found % 12 == pitch_class
    assert -6 <= found - near < 6


def test_scale_steps() -> None:
    key = Key("C", "major")
    assert step_in_scale(60, key, 7) == 72
    assert step_in_scale(60, key, -1) == 59
    assert step_in_scale(61, key, 1) == 62
    assert step_in_scale(61, key, -1) == 60
    assert step_in_scale(61, key, 0) == 61


@given(st.integers(30, 90), st.integers(-9, 9), keys)
def test_steps_there_and_back(midi: int, steps: int, key: Key) -> None:
    if len(degree_of(midi, key)) == 1:
        assert step_in_scale(step_in_scale(midi, key, steps), key, -steps) == midi
