"""Names of pitches: spelling, octaves, and the way back."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retune.carriers.errors import InputError
from retune.carriers.heard import Key
from retune.carriers.units import cents_between, cents_to_ratio, hz_to_midi, midi_to_hz
from retune.theory.chords import parse_chord
from retune.theory.keys import MODES, parse_key
from retune.theory.pitchnames import parse_pitch_name, pitch_class_of
from retune.theory.spelling import degree_of_name, pitch_name, spell_pitch_class

TONICS = ("C", "G", "D", "A", "E", "B", "F#", "C#", "F", "Bb", "Eb", "Ab", "Db", "Gb", "Cb")
keys = st.builds(Key, st.sampled_from(TONICS), st.sampled_from(tuple(MODES)))


@pytest.mark.parametrize(
    ("midi", "hz"),
    [  # f = 440 * 2 ** ((m - 69) / 12), A4 = 440 Hz: ISO 16:1975 (from memory); computed
        (21, 27.5),
        (36, 65.4064),
        (48, 130.8128),
        (55, 195.9977),
        (57, 220.0),
        (60, 261.6256),
        (64, 329.6276),
        (67, 391.9954),
        (69, 440.0),
        (72, 523.2511),
        (81, 880.0),
        (84, 1046.5023),
        (108, 4186.009),
    ],
)
def test_frequencies_of_equal_temperament(midi: int, hz: float) -> None:
    assert midi_to_hz(midi) == pytest.approx(hz, abs=6e-5)
    assert hz_to_midi(hz) == pytest.approx(midi, abs=1e-4)


@pytest.mark.parametrize(
    ("ratio", "cents"),
    [  # cents = 1200 log2(ratio): computed
        (16 / 15, 111.731),
        (10 / 9, 182.404),
        (9 / 8, 203.910),
        (6 / 5, 315.641),
        (5 / 4, 386.314),
        (81 / 64, 407.820),
        (4 / 3, 498.045),
        (7 / 5, 582.512),
        (45 / 32, 590.224),
        (3 / 2, 701.955),
        (8 / 5, 813.686),
        (5 / 3, 884.359),
        (7 / 4, 968.826),
        (16 / 9, 996.090),
        (9 / 5, 1017.596),
        (15 / 8, 1088.269),
        (81 / 80, 21.506),
    ],
)
def test_just_intervals_in_cents(ratio: float, cents: float) -> None:
    assert cents_between(1.0, ratio) == pytest.approx(cents, abs=6e-4)


def test_cents_as_ratios() -> None:
    # computed: 2 ** (cents / 1200)
    expected = {1: 1.00057779, 5: 1.00289229, 10: 1.00579294, 25: 1.01454533, 50: 1.02930224}
    for cents, ratio in expected.items():
        assert cents_to_ratio(cents) == pytest.approx(ratio, abs=6e-9)


def test_semitone_ratios() -> None:
    # computed: 2 ** (n / 12)
    ratios = [1, 1.059463094, 1.122462048, 1.189207115, 1.259921050, 1.334839854, 1.414213562]
    ratios += [1.498307077, 1.587401052, 1.681792831, 1.781797436, 1.887748625, 2]
    for n, ratio in enumerate(ratios):
        assert cents_to_ratio(100 * n) == pytest.approx(ratio, abs=1e-9)


@pytest.mark.parametrize(
    ("name", "midi"),
    [
        ("C4", 60),
        ("A4", 69),
        ("Cb4", 59),
        ("B#3", 60),
        ("C-1", 0),
        ("G9", 127),
        ("F##4", 67),
        ("B♭3", 58),
        ("F♯5", 78),
        ("Ebb4", 62),
    ],
)
def test_names_are_read(name: str, midi: int) -> None:
    assert parse_pitch_name(name) == midi


@pytest.mark.parametrize("name", ["H4", "bb4", "C", "4", "", "C#b4", "Cbbb4", "G#9", "Cb-1", "C 4"])
def test_what_is_no_name_is_refused(name: str) -> None:
    with pytest.raises(InputError, match=r"not a note name|outside the range"):
        parse_pitch_name(name)


def test_pitch_classes() -> None:
    assert [pitch_class_of(n) for n in ("C", "Bb", "Cb", "B#", "E#", "F♭")] == [0, 10, 11, 0, 5, 4]
    with pytest.raises(InputError, match="not a pitch name"):
        pitch_class_of("X")


@pytest.mark.parametrize(
    ("key", "names"),
    [  # common practice, no source: scale notes by the signature, the rest by usual alteration
        ("Bb major", "Bb B C Db D Eb E F Gb G Ab A"),
        ("C major", "C Db D Eb E F F# G Ab A Bb B"),
        ("A minor", "A Bb B C C# D D# E F F# G G#"),
        ("F# major", "F# G G# A A# B C C# D D# E E#"),
        ("Gb major", "Gb G Ab A Bb Cb C Db D Eb E F"),
        ("D dorian", "D Eb E F F# G G# A Bb B C C#"),
        ("E phrygian", "E F F# G G# A A# B C C# D D#"),
        ("F lydian", "F Gb G Ab A Bb B C Db D Eb E"),
        ("G mixolydian", "G Ab A Bb B C C# D Eb E F F#"),
        ("B locrian", "B C C# D D# E F F# G G# A A#"),
    ],
)
def test_spelling_rises_from_the_tonic(key: str, names: str) -> None:
    home = parse_key(key)
    tonic = pitch_class_of(home.tonic)
    assert " ".join(spell_pitch_class(tonic + n, home) for n in range(12)) == names


def test_octaves_follow_the_letter() -> None:
    assert pitch_name(59, Key("Gb", "major")) == "Cb4"
    assert pitch_name(60, Key("C#", "major")) == "B#3"
    assert pitch_name(60) == "C4"


@given(st.integers(12, 120), keys)
def test_names_read_back(midi: int, key: Key) -> None:
    assert parse_pitch_name(pitch_name(midi, key)) == midi


@given(st.integers(0, 127))
def test_names_without_a_key_read_back(midi: int) -> None:
    assert parse_pitch_name(pitch_name(midi)) == midi


@pytest.mark.parametrize(
    ("midi", "chord", "name"),
    [  # leading notes of applied dominants in C major (common practice, no source)
        (68, "E7", "G#4"),
        (61, "A7", "C#4"),
        (63, "B7", "D#4"),
        (68, "Fm", "Ab4"),
        (70, "C7", "Bb4"),
        (67, "E7", "G4"),
        (68, "C", "Ab4"),
    ],
)
def test_the_chord_spells_first(midi: int, chord: str, name: str) -> None:
    home = Key("C", "major")
    assert pitch_name(midi, home, parse_chord(chord, home)) == name


@pytest.mark.parametrize(
    ("key", "midi", "name"),
    [
        # The leading tone of minor on its own letter: common practice, no source.
        ("F# minor", 65, "E#4"),
        ("C# minor", 72, "B#4"),
        ("G# minor", 67, "F##4"),
        ("D minor", 61, "C#4"),
        ("F minor", 64, "E4"),
        ("F# dorian", 65, "E#4"),
        ("E major", 60, "C4"),
    ],
)
def test_a_leading_tone_keeps_its_letter(key: str, midi: int, name: str) -> None:
    assert pitch_name(midi, parse_key(key)) == name
    assert parse_pitch_name(name) == midi


def test_the_degree_of_a_spelling() -> None:
    c = parse_key("C major")
    names = ("G#4", "Ab4", "D#5", "Eb3", "B#3", "F4", "Gb")
    assert [degree_of_name(n, c) for n in names] == ["#5", "b6", "#2", "b3", "1", "4", "b5"]
