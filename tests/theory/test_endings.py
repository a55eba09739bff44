"""How a phrase ends: at rest, partly at rest, open; what a pitch is in its chord."""

from __future__ import annotations

import pytest

from retune.carriers.heard import Ending, Key
from retune.theory.chords import parse_chord, with_bass
from retune.theory.keys import parse_key
from retune.theory.pitchnames import parse_pitch_name
from retune.theory.roles import chord_member, how_it_ends, is_chord_tone, melodic_ending, same_digit

REST: Ending = "at rest"
PARTLY: Ending = "partly at rest"
OPEN: Ending = "open"


# The three words are this project's own definition; the chords are common practice.
@pytest.mark.parametrize(
    ("key", "note", "chord", "ending"),
    [
        ("Bb major", "Bb4", "Bb", REST),
        ("Bb major", "Bb4", "Bb6", REST),
        ("Bb major", "Bb4", "Bbadd9", REST),
        ("Bb major", "Bb4", "Bbmaj7", REST),
        ("Bb major", "Bb4", "Bb5", REST),
        ("Bb major", "Bb4", "I", REST),
        ("Bb major", "Bb4", "Bb/D", PARTLY),
        ("Bb major", "Bb4", "Bb/F", PARTLY),
        ("Bb major", "Bb4", "Cad64", OPEN),
        ("Bb major", "D5", "Bb", PARTLY),
        ("Bb major", "F4", "Bb", PARTLY),
        ("Bb major", "F4", "Bb/F", PARTLY),
        ("Bb major", "C5", "Bb", OPEN),
        ("Bb major", "C5", "Bbadd9", OPEN),
        ("Bb major", "G4", "Bb6", OPEN),
        ("Bb major", "A4", "Bbmaj7", OPEN),
        ("Bb major", "Bb4", "Bb7", OPEN),
        ("Bb major", "Bb4", "Bbsus4", OPEN),
        ("Bb major", "Bb4", "Eb", PARTLY),
        ("Bb major", "Bb4", "Gm", PARTLY),
        ("Bb major", "D5", "Gm7", PARTLY),
        ("Bb major", "F4", "Gm7", OPEN),
        ("Bb major", "D5", "Dm", PARTLY),
        ("Bb major", "F4", "Dm", PARTLY),
        ("Bb major", "Bb4", "Eb5", PARTLY),
        ("Bb major", "D5", "Eb", OPEN),
        ("Bb major", "G4", "Eb", OPEN),
        ("Bb major", "Bb4", "Ebm", PARTLY),
        ("Bb major", "F4", "F", OPEN),
        ("Bb major", "F4", "F7", OPEN),
        ("Bb major", "C5", "F", OPEN),
        ("Bb major", "Eb5", "F7", OPEN),
        ("Bb major", "Bb4", "F7", OPEN),
        ("Bb major", "F4", "Cm", OPEN),
        ("Bb major", "A4", "Adim", OPEN),
        ("Bb major", "D5", "G7", OPEN),
        ("A minor", "A4", "Am", REST),
        ("A minor", "A4", "A", REST),
        ("A minor", "C#5", "A", PARTLY),
        ("A minor", "C5", "A", OPEN),
        ("A minor", "C5", "Am", PARTLY),
        ("A minor", "A4", "Dm", PARTLY),
        ("A minor", "A4", "F", PARTLY),
        ("A minor", "C5", "F", PARTLY),
        ("A minor", "E4", "C", PARTLY),
        ("A minor", "G4", "C", OPEN),
        ("A minor", "E4", "E7", OPEN),
        ("A minor", "G#4", "G#dim", OPEN),
        ("D dorian", "D4", "G", PARTLY),
        ("D dorian", "F4", "Bdim", OPEN),
        ("G mixolydian", "G4", "C", PARTLY),
        ("G mixolydian", "G4", "F", OPEN),
        # The bass counts, sevenths are treated alike, IV as iv, the tonic seventh of mixolydian.
        ("C major", "C5", "F/G", OPEN),
        ("C major", "C5", "C/D", OPEN),
        ("C major", "C5", "C/Bb", OPEN),
        ("C major", "C5", "F/A", PARTLY),
        ("C major", "C5", "F/C", PARTLY),
        ("C major", "G4", "Am7", OPEN),
        ("C major", "E4", "Fmaj7", OPEN),
        ("C major", "C5", "Dm7", OPEN),
        ("C major", "C5", "Fmaj7", PARTLY),
        ("C major", "E5", "Am7", PARTLY),
        ("A minor", "A4", "D", PARTLY),
        ("A minor", "A4", "Dm7", PARTLY),
        ("A minor", "A4", "Am7", REST),
        ("G mixolydian", "G4", "G7", REST),
        ("G mixolydian", "B4", "G7", PARTLY),
        ("G mixolydian", "F5", "G7", OPEN),
    ],
)
def test_endings(key: str, note: str, chord: str, ending: Ending) -> None:
    home = parse_key(key)
    assert how_it_ends(parse_pitch_name(note), parse_chord(chord, home), home) == ending


def test_no_chord_leaves_the_ending_unknown() -> None:
    home = Key("Bb", "major")
    assert how_it_ends(70, parse_chord("N.C.", home), home) is None
    assert how_it_ends(70, None, home) is None
    assert how_it_ends(70, parse_chord("Bb", home), None) is None


def test_a_moved_bass_changes_the_ending() -> None:
    home = Key("Bb", "major")
    chord = parse_chord("Bb", home)
    assert how_it_ends(70, with_bass(chord, 2, home), home) == PARTLY
    assert how_it_ends(70, with_bass(chord, 0, home), home) == OPEN


def test_endings_by_degree_alone() -> None:
    found = [melodic_ending(d) for d in ("1", "2", "3", "4", "5", "6", "7", "b3", None)]
    assert found == [REST, OPEN, PARTLY, OPEN, PARTLY, OPEN, OPEN, OPEN, None]


def test_members_of_a_chord() -> None:
    chord = parse_chord("F9")
    names = [chord_member(midi, chord) for midi in (65, 69, 72, 75, 67, 66)]
    assert names == ["root", "third", "fifth", "seventh", "extension", None]
    assert is_chord_tone(67, chord)
    assert not is_chord_tone(66, chord)
    assert chord_member(65, None) is None


def test_both_forms_of_six_and_seven_in_minor() -> None:
    minor, dorian = Key("A", "minor"), Key("A", "dorian")
    assert [same_digit(d, "7", minor) for d in ("7", "#7", "b7", "6", None)] == [
        True,
        True,
        False,
        False,
        False,
    ]
    assert same_digit("#6", "6", minor)
    assert not same_digit("7", "#7", minor)
    assert not same_digit("#7", "7", dorian)
    assert not same_digit("#3", "3", minor)
