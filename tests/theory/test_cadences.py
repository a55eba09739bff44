"""Cadences by name (common practice; conventions of ours beside the case)."""

from __future__ import annotations

import pytest

from retune.theory.cadences import cadence_of
from retune.theory.chords import parse_chord
from retune.theory.keys import parse_key
from retune.theory.pitchnames import parse_pitch_name


@pytest.mark.parametrize(
    ("key", "chords", "note", "cadence"),
    [
        ("C major", "Dm G C", "C5", "perfect authentic"),
        ("C major", "Dm G7 C", "C5", "perfect authentic"),
        ("C major", "Cad64 V7 I", "C5", "perfect authentic"),
        ("C major", "G7 Csus4 C", "C5", "perfect authentic"),
        ("C major", "Gsus4 C", "C5", "perfect authentic"),
        ("C major", "F/G C", "C5", "perfect authentic"),
        ("C major", "G7 C", "E5", "imperfect authentic"),
        ("C major", "G7 C", "G4", "imperfect authentic"),
        ("C major", "G7/B C", "C5", "imperfect authentic"),
        ("C major", "G7 C/E", "C5", "imperfect authentic"),
        ("C major", "Bdim C", "C5", "imperfect authentic"),
        ("C major", "Bdim7 C", "C5", "imperfect authentic"),
        ("C major", "C G", "D5", "half"),
        ("C major", "Dm G7", "F5", "half"),
        ("C major", "D7 G", "B4", "half"),
        ("C major", "C Cad64 G", "D5", "half"),
        ("C major", "G7 Am", "C5", "deceptive"),
        ("C major", "G7 Ab", "C5", "deceptive"),
        ("C major", "G7 F/A", "C5", "deceptive"),
        ("C major", "F C", "C5", "plagal"),
        ("C major", "Fm C", "C5", "plagal"),
        ("C major", "G F C", "E5", "plagal"),
        ("C major", "C", "C5", "none"),
        ("C major", "G F", "C5", "none"),
        ("C major", "Bb C", "C5", "none"),
        ("C major", "Am Em", "E5", "none"),
        ("C major", "E7 Am", "A4", "none"),
        ("C major", "G C/G", "C5", "none"),
        ("A minor", "Dm E7 Am", "A4", "perfect authentic"),
        ("A minor", "E7 A", "A4", "perfect authentic"),
        ("A minor", "E7 Am", "C5", "imperfect authentic"),
        ("A minor", "G#dim7 Am", "A4", "imperfect authentic"),
        ("A minor", "Am E", "B4", "half"),
        ("A minor", "Dm/F E", "B4", "phrygian half"),
        ("A minor", "Dm E", "B4", "half"),
        ("A minor", "Ger65 V", "B4", "half"),
        ("A minor", "E7 F", "A4", "deceptive"),
        ("A minor", "Dm Am", "A4", "plagal"),
        ("A minor", "D Am", "A4", "plagal"),
        ("A minor", "Dm A", "C#5", "plagal"),
        ("A minor", "Em Am", "A4", "none"),
        ("A minor", "G Am", "A4", "none"),
        ("G mixolydian", "F G", "G4", "none"),
        ("G mixolydian", "C G7", "G4", "plagal"),
    ],
)
def test_cadences(key: str, chords: str, note: str, cadence: str) -> None:
    home = parse_key(key)
    played = [parse_chord(text, home) for text in chords.split()]
    assert cadence_of(played, parse_pitch_name(note), home) == cadence
