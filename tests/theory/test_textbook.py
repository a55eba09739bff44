"""The figures a first-year class meets, each read as a textbook reads it.

Common practice, no source: figures are written from memory of the usual primers, in C major and A
minor. Run this file with `pytest -s` for the score.
"""

from __future__ import annotations

import pytest

from retune.carriers.heard import Key
from retune.theory.cadences import cadence_of
from retune.theory.chords import parse_chord
from retune.theory.noteroles import Placed, Span, chord_roles, readings
from retune.theory.pitchnames import parse_pitch_name
from retune.theory.roles import how_it_ends
from retune.theory.tensionmodels import distance_from_home

C, AM = Key("C", "major"), Key("A", "minor")

# Kind of figure: notes "name@chord", which of them, its role.
ROLES = {
    "passing up": ("C5@C D5@C E5@C", 1, "passing"),
    "passing down": ("G4@C F4@C E4@C", 1, "passing"),
    "accented passing": ("E5@C D5@Am C5@Am", 1, "passing"),
    "chromatic passing": ("C5@C C#5@Dm D5@Dm", 1, "passing"),
    "two passing tones": ("G4@C A4@C B4@C C5@C", 2, "passing"),
    "passing into a new chord": ("E5@C D5@C C5@F", 1, "passing"),
    "upper neighbour": ("E5@C F5@C E5@C", 1, "neighbour"),
    "lower neighbour": ("C5@C B4@C C5@C", 1, "neighbour"),
    "chromatic neighbour": ("G4@C F#4@C G4@C", 1, "neighbour"),
    "changing tones, first": ("C5@C D5@C B4@C C5@C", 1, "changing tone"),
    "changing tones, second": ("C5@C D5@C B4@C C5@C", 2, "changing tone"),
    "suspension 4-3": ("C5@C C5@G B4@G", 1, "suspension"),
    "suspension 7-6": ("C5@Am C5@Bdim/D B4@Bdim/D", 1, "suspension"),
    "suspension 9-8": ("D5@G D5@C C5@C", 1, "suspension"),
    "suspension 6-5": ("A4@F A4@C G4@C", 1, "suspension"),
    "suspension 2-3 in the bass": ("C3@C C3@G/B B2@G/B", 1, "suspension"),
    "decorated suspension": ("C5@C C5@G A4@G B4@G", 1, "suspension"),
    "suspension of a sus chord": ("F4@Csus4 E4@C", 0, "suspension"),
    "suspension resolving over a new chord": ("C5@C C5@G B4@Em", 1, "suspension"),
    "retardation 7-8": ("B4@G B4@C C5@C", 1, "retardation"),
    "retardation 2-3": ("D5@G D5@C E5@C", 1, "retardation"),
    "anticipation": ("B4@G C5@G C5@C", 1, "anticipation"),
    "escape tone": ("E5@C F5@C D5@G", 1, "escape"),
    "escape tone that belongs to the coming chord": ("D5@G C5@G E5@C", 1, "escape"),
    "passing tone that belongs to the coming chord": ("E5@C D5@C C5@G7", 1, "passing"),
    "appoggiatura": ("C5@C F5@C E5@C", 1, "appoggiatura"),
    "appoggiatura to open": ("A4@C G4@C", 0, "appoggiatura"),
    "incomplete neighbour": ("G4@C D5@C C5@C", 1, "appoggiatura"),
    "dominant pedal": ("G4@C G4@F G4@G", 1, "pedal"),
    "tonic pedal": ("C3@C C3@G C3@C", 1, "pedal"),
    "unresolved": ("C5@C F#5@C C5@C", 1, "unresolved"),
    "chord seventh": ("F5@G7 E5@C", 0, "seventh"),
    "ninth": ("A4@G9", 0, "extension"),
}
# One held note over several chords.
HELD = {
    "held suspension": ("C5@C>G B4@G", ["root", "suspension"]),
    "held anticipation": ("C5@G>C", ["anticipation", "root"]),
    "held pedal": ("C5@C>G>C", ["root", "pedal", "root"]),
    "held tonic over IV and V": ("C5@C>F>G", ["root", "fifth", "pedal"]),
    "held retardation": ("B4@G>C C5@C", ["third", "retardation"]),
    "common tone": ("C5@C>Am>F", ["root", "third", "fifth"]),
}
# Key, chords, last melody note: the cadence.
CADENCES = {
    "perfect authentic": (C, "Dm G7 C", "C5", "perfect authentic"),
    "imperfect authentic, third": (C, "G7 C", "E5", "imperfect authentic"),
    "imperfect authentic, inverted": (C, "G7/B C", "C5", "imperfect authentic"),
    "imperfect authentic, leading-tone chord": (C, "Bdim7 C", "C5", "imperfect authentic"),
    "cadential six-four": (C, "Cad64 V7 I", "C5", "perfect authentic"),
    "half": (C, "C G", "D5", "half"),
    "half by an applied dominant": (C, "D7 G", "B4", "half"),
    "plagal": (C, "F C", "C5", "plagal"),
    "minor plagal": (C, "Fm C", "C5", "plagal"),
    "deceptive": (C, "G7 Am", "C5", "deceptive"),
    "deceptive to bVI": (C, "G7 Ab", "C5", "deceptive"),
    "Neapolitan before a perfect cadence": (C, "N6 V7 I", "C5", "perfect authentic"),
    "perfect authentic in minor": (AM, "Dm E7 Am", "A4", "perfect authentic"),
    "half in minor": (AM, "Am E", "B4", "half"),
    "Phrygian half": (AM, "Dm/F E", "B4", "phrygian half"),
    "half by an augmented sixth": (AM, "Ger65 V", "B4", "half"),
    "plagal in minor": (AM, "Dm Am", "A4", "plagal"),
    "deceptive in minor": (AM, "E7 F", "A4", "deceptive"),
    "Picardy": (AM, "E7 A", "A4", "perfect authentic"),
    "modal v to i": (AM, "Em Am", "A4", "none"),
    "bVII to I": (Key("G", "mixolydian"), "F G", "G4", "none"),
}
ENDINGS = {
    "1 over I": (C, "C", "C5", "at rest"),
    "3 over I": (C, "C", "E5", "partly at rest"),
    "1 over I6": (C, "C/E", "C5", "partly at rest"),
    "1 over the cadential six-four": (C, "Cad64", "C5", "open"),
    "1 over vi": (C, "Am", "C5", "partly at rest"),
    "5 over vi7": (C, "Am7", "G4", "open"),
    "1 over IV over 5": (C, "F/G", "C5", "open"),
    "2 over V": (C, "G", "D5", "open"),
    "1 over i with Picardy third": (AM, "A", "A4", "at rest"),
    "1 over IV in minor": (AM, "D", "A4", "partly at rest"),
    "blues seventh": (Key("G", "mixolydian"), "G7", "G4", "at rest"),
    "tonic seventh in major": (C, "C7", "C5", "open"),
}
NUMERALS = {
    "applied dominant": (C, "D7", "V7/V"),
    "applied leading-tone chord": (C, "F#dim7", "viio7/V"),
    "borrowed iv": (C, "Fm", "iv"),
    "borrowed bVII": (C, "Bb", "bVII"),
    "Neapolitan": (C, "Db/F", "N6"),
    "dominant of minor": (AM, "E7", "V7"),
    "leading-tone seventh": (AM, "G#dim7", "viio7"),
    "half-diminished ii": (AM, "Bm7b5", "iiø7"),
    "first inversion": (C, "G7/B", "V65"),
}


def _line(text: str, key: Key) -> list[Placed]:
    notes = []
    for k, word in enumerate(text.split()):
        name, _, labels = word.partition("@")
        chords = labels.split(">")
        spans = tuple(Span(k, k + 1, parse_chord(label, key)) for label in chords)
        midi = parse_pitch_name(name)
        notes.append(Placed(k, k + 1, midi, spans, may_stay=midi % 12 in (0, 7)))
    return notes


def _cases() -> dict[str, tuple[object, object]]:
    """Kind of figure to (as we read it, as a textbook does)."""
    found: dict[str, tuple[object, object]] = {}
    for kind, (text, at, role) in ROLES.items():
        found[kind] = chord_roles(_line(text, C))[at], role
    for kind, (text, roles) in HELD.items():
        found[kind] = [reading.role for reading in readings(_line(text, C))[0]], roles
    for kind, (key, text, note, cadence) in CADENCES.items():
        chords = [parse_chord(label, key) for label in text.split()]
        found[f"cadence: {kind}"] = cadence_of(chords, parse_pitch_name(note), key), cadence
    for kind, (key, text, note, ending) in ENDINGS.items():
        chord = parse_chord(text, key)
        found[f"ending: {kind}"] = how_it_ends(parse_pitch_name(note), chord, key), ending
    for kind, (key, text, numeral) in NUMERALS.items():
        found[f"numeral: {kind}"] = parse_chord(text, key).roman, numeral
    return found


CASES = _cases()


@pytest.mark.parametrize("kind", CASES)
def test_a_figure_is_read_as_a_textbook_reads_it(kind: str) -> None:
    read, written = CASES[kind]
    assert read == written


def test_the_score() -> None:
    right = sum(read == written for read, written in CASES.values())
    print(f"\n{right} of {len(CASES)} kinds of figure read as a textbook reads them")
    assert len(CASES) >= 77


# Distances from the tonic chord by hand: i + j + k (Lerdahl 2001; minor on its raised seventh).
@pytest.mark.parametrize(
    ("key", "progression", "by_hand"),
    [
        (C, "I V I", [0, 5, 0]),
        (C, "I IV V I", [0, 5, 5, 0]),
        (C, "I vi IV V", [0, 7, 5, 5]),
        (C, "I ii V I", [0, 8, 5, 0]),
        (C, "I iii IV V", [0, 7, 5, 5]),
        (C, "I V vi IV", [0, 5, 7, 5]),
        (C, "vi ii V I", [7, 8, 5, 0]),
        (C, "I viio I", [0, 8, 0]),
        (C, "I vi ii V", [0, 7, 8, 5]),
        (C, "IV I V I", [5, 0, 5, 0]),
        (AM, "i V i", [0, 5, 0]),
        (AM, "i iv V i", [0, 5, 5, 0]),
        (AM, "i VI iv V", [0, 7, 5, 5]),
        (AM, "i iio V i", [0, 8, 5, 0]),
        (AM, "i III iv V", [0, 7, 5, 5]),
        (AM, "i V VI iv", [0, 5, 7, 5]),
        (AM, "i viio i", [0, 8, 0]),
        (AM, "i VII VI V", [0, 8, 7, 5]),
        (AM, "i VI III VII", [0, 7, 7, 8]),
        (AM, "iv i V i", [5, 0, 5, 0]),
    ],
)
def test_progressions_by_hand(key: Key, progression: str, by_hand: list[int]) -> None:
    found = [distance_from_home(parse_chord(n, key), key, key) for n in progression.split()]
    assert found == by_hand
