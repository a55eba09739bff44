"""Tension term by term, against the published tables and what follows from them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retune.carriers.heard import Key
from retune.theory.chords import parse_chord
from retune.theory.tensionmodels import (
    anchoring,
    basic_space,
    chord_distance,
    distance_from_home,
    magnetism,
    melodic_attraction,
    note_tension,
    stability,
    surface_dissonance,
)

C_MAJOR, A_MINOR = Key("C", "major"), Key("A", "minor")


@pytest.mark.parametrize(
    ("numeral", "levels"),
    [  # Lerdahl 1988, 2001: root; root and fifth; triad; scale; chromatic; computed from these
        ("I", (5, 1, 2, 1, 3, 2, 1, 4, 1, 2, 1, 2)),
        ("IV", (4, 1, 2, 1, 2, 5, 1, 2, 1, 3, 1, 2)),
        ("V", (2, 1, 4, 1, 2, 2, 1, 5, 1, 2, 1, 3)),
        ("vi", (3, 1, 2, 1, 4, 2, 1, 2, 1, 5, 1, 2)),
    ],
)
def test_basic_space(numeral: str, levels: tuple[int, ...]) -> None:
    assert basic_space(parse_chord(numeral, C_MAJOR), C_MAJOR) == levels


@pytest.mark.parametrize(
    ("numeral", "distance"),
    [  # Lerdahl 2001, d = i + j + k; computed
        ("I", 0),
        ("V", 5),
        ("IV", 5),
        ("vi", 7),
        ("iii", 7),
        ("ii", 8),
        ("viio", 8),
    ],
)
def test_chord_distance_within_a_key(numeral: str, distance: int) -> None:
    tonic = parse_chord("I", C_MAJOR)
    assert chord_distance(tonic, C_MAJOR, parse_chord(numeral, C_MAJOR), C_MAJOR) == distance


@pytest.mark.parametrize(
    ("key", "distance"),
    [  # Lerdahl 2001, tonic to tonic: dominant, relative and parallel key 7 each (from memory)
        ("G major", 7),
        ("F major", 7),
        ("A minor", 7),
        ("C minor", 7),
    ],
)
def test_chord_distance_between_keys(key: str, distance: int) -> None:
    home = Key(*key.split())
    triad = parse_chord("i" if home.mode == "minor" else "I", home)
    assert chord_distance(parse_chord("I", C_MAJOR), C_MAJOR, triad, home) == distance


def test_anchoring_strengths() -> None:
    # Lerdahl 1996, Music Perception 13(3), as in MIDI Toolbox `melattraction`
    assert [anchoring(60 + n, C_MAJOR) for n in range(12)] == [4, 1, 2, 1, 3, 2, 1, 3, 1, 2, 1, 2]
    assert [anchoring(69 + n, A_MINOR) for n in range(12)] == [4, 1, 2, 3, 1, 2, 1, 3, 2, 2, 1, 2]


@pytest.mark.parametrize(
    ("start", "end", "attraction"),
    [  # a = (s2 / s1) / n ** 2, Lerdahl 1996; C major, computed
        (61, 60, 4.0),
        (66, 67, 3.0),
        (68, 67, 3.0),
        (71, 72, 2.0),
        (65, 64, 1.5),
        (62, 60, 0.5),
        (72, 71, 0.5),
        (62, 64, 0.375),
        (65, 67, 0.375),
        (69, 67, 0.375),
        (71, 69, 0.25),
        (67, 69, 0.1667),
        (67, 72, 0.0533),
        (67, 60, 0.0272),
    ],
)
def test_melodic_attraction(start: int, end: int, attraction: float) -> None:
    assert melodic_attraction(start, end, C_MAJOR) == pytest.approx(attraction, abs=5e-5)


@given(st.integers(0, 127))
def test_a_repeated_note_is_not_drawn_to_itself(midi: int) -> None:
    assert melodic_attraction(midi, midi, C_MAJOR) == 0.0


@pytest.mark.parametrize(
    ("midi", "pull"),
    [  # Larson 2004, stable 1 3 5; computed from the formula, which is from memory
        (65, -0.75),
        (71, 0.9375),
        (69, -0.1389),
        (62, 0.0),
        (60, 0.0),
        (64, 0.0),
    ],
)
def test_magnetism(midi: int, pull: float) -> None:
    assert magnetism(midi, C_MAJOR) == pytest.approx(pull, abs=5e-5)


def test_stability_from_probe_tones() -> None:
    # Krumhansl & Kessler 1982, scaled so that the tonic is 1 and the least stable tone 0
    assert stability(60, C_MAJOR) == 1.0
    assert stability(61, C_MAJOR) == 0.0
    assert stability(67, C_MAJOR) == pytest.approx((5.19 - 2.23) / (6.35 - 2.23))
    assert stability(69, A_MINOR) == 1.0
    assert stability(72, A_MINOR) == pytest.approx((5.38 - 2.54) / (6.33 - 2.54))
    major = [stability(60 + n, C_MAJOR) for n in (0, 7, 4, 5, 9, 2, 11)]
    assert major == sorted(major, reverse=True)


@pytest.mark.parametrize(
    ("midi", "chord", "dissonance"),
    [  # Lerdahl & Krumhansl 2007: weights from memory
        (60, "C", 0),
        (64, "C", 1),
        (67, "C", 1),
        (60, "C/E", 2),
        (64, "C/G", 3),
        (67, "G7", 1),
        (65, "G7", 1),
        (71, "G7/B", 4),
        (62, "C", 3),
        (61, "C", 4),
        (62, "Cadd9", 3),
    ],
)
def test_surface_dissonance(midi: int, chord: str, dissonance: int) -> None:
    assert surface_dissonance(midi, parse_chord(chord, C_MAJOR), C_MAJOR) == dissonance


@pytest.mark.parametrize(
    ("numeral", "distance"),
    [  # as in major, by Lerdahl 2001 on the scale with the raised seventh; computed by hand
        ("i", 0),
        ("V", 5),
        ("iv", 5),
        ("IV", 5),
        ("viio", 8),
        ("VI", 7),
        ("III", 7),
        ("iio", 8),
        ("VII", 8),
    ],
)
def test_chord_distance_in_minor(numeral: str, distance: int) -> None:
    chord = parse_chord(numeral, A_MINOR)
    assert distance_from_home(chord, A_MINOR, A_MINOR) == distance


@pytest.mark.parametrize(
    ("text", "distance"),
    [  # d = i + j + k in the region with the shortest path; computed by hand
        ("V/V", 1 + 2 + 7),
        ("iv", 3 + 1 + 7),
    ],
)
def test_borrowed_and_applied_chords_stand_in_their_own_region(text: str, distance: int) -> None:
    assert distance_from_home(parse_chord(text, C_MAJOR), C_MAJOR, C_MAJOR) == distance


def test_a_suspension_in_any_voice_is_dissonant() -> None:
    def tension(midi: int, text: str) -> int | None:
        return note_tension(midi, parse_chord(text, C_MAJOR), C_MAJOR).harmonic

    assert [tension(60, "C"), tension(60, "Csus4"), tension(65, "Csus4")] == [0, 3, 3]
    assert [tension(67, "Gsus4"), tension(67, "G")] == [8, 5]
    assert [tension(60, "Gsus4"), tension(59, "G")] == [8, 6]


def test_the_leading_note_of_minor_is_not_chromatic() -> None:
    tonic = parse_chord("Am", A_MINOR)
    assert surface_dissonance(68, tonic, A_MINOR) == 3
    assert surface_dissonance(70, tonic, A_MINOR) == 4


def test_terms_of_a_note() -> None:
    home = note_tension(72, parse_chord("C", C_MAJOR), C_MAJOR)
    assert (home.harmony, home.surface, home.harmonic, home.instability) == (0, 0, 0, 0.0)
    assert home.attraction == 0.0
    leading = note_tension(71, parse_chord("G7", C_MAJOR), C_MAJOR)
    assert (leading.harmony, leading.surface, leading.harmonic) == (5, 2, 7)
    assert leading.attraction == 2.0
    assert leading.magnetism == 0.9375


def test_coming_home_lowers_every_term() -> None:
    # 2 over V, then 1 over I: the change that phrase endings are moved for
    waiting = note_tension(62, parse_chord("G", C_MAJOR), C_MAJOR)
    home = note_tension(60, parse_chord("C", C_MAJOR), C_MAJOR)
    assert waiting.harmonic is not None
    assert home.harmonic is not None
    assert waiting.harmonic > home.harmonic
    assert waiting.instability > home.instability
    assert waiting.attraction > home.attraction


def test_leaving_a_foreign_note_hanging_raises_tension() -> None:
    # Bharucha 1996, melodic anchoring: foreign notes move on to a chord tone
    chord = parse_chord("C", C_MAJOR)
    assert surface_dissonance(65, chord, C_MAJOR) > surface_dissonance(64, chord, C_MAJOR)


def test_tension_without_a_chord_has_no_harmony() -> None:
    for chord in (None, parse_chord("N.C.", C_MAJOR)):
        bare = note_tension(62, chord, C_MAJOR)
        assert (bare.harmony, bare.surface, bare.harmonic) == (None, None, None)


def test_distance_is_from_the_songs_own_key() -> None:
    g_major = Key("G", "major")
    there = note_tension(67, parse_chord("G", g_major), g_major, C_MAJOR)
    assert there.harmony == 7


def test_v7_of_iv_lies_in_the_region_of_iv() -> None:
    # By hand: i = 1 (C to F), j = 0, k = 1 (B flat in the scale). As the tonic of a blues it is
    # home.
    applied, own = parse_chord("C7", C_MAJOR), parse_chord("Ib7", C_MAJOR)
    assert applied.roman == "V7/IV"
    assert distance_from_home(applied, C_MAJOR, C_MAJOR) == 2
    assert distance_from_home(own, C_MAJOR, C_MAJOR) == 0
    assert distance_from_home(parse_chord("C", C_MAJOR), C_MAJOR, C_MAJOR) == 0
