"""The tonic seventh of a blues rests; that of V7 of IV does not. Common practice, no source."""

from __future__ import annotations

import pytest

from retune.carriers.heard import Bars, Chord
from retune.song.chart import read_chart
from retune.theory.blues import with_tonic_sevenths
from retune.theory.cadences import cadence_of
from retune.theory.chords import is_tonic_chord, parse_chord
from retune.theory.keys import parse_key
from retune.theory.roles import how_it_ends

C = parse_key("C major")
TWELVE_BARS = "C7 | F7 | C7 | - | F7 | - | C7 | - | G7 | F7 | C7 | G7"


def charted(text: str, key: str = "C major") -> tuple[Chord, ...]:
    bars = Bars(tuple(2.0 * k for k in range(20)), (4, 4), 120.0)
    home = parse_key(key)
    return with_tonic_sevenths(read_chart(text, bars=bars, key_at=lambda _: home), lambda _: home)


def test_in_a_blues_the_tonic_seventh_is_home() -> None:
    chords = charted(TWELVE_BARS)
    romans = [chord.roman for chord in chords]
    assert romans == ["Ib7", "IVb7", "Ib7", "IVb7", "Ib7", "V7", "IVb7", "Ib7", "V7"]
    tonic = chords[0]
    assert is_tonic_chord(tonic, C)
    assert [how_it_ends(midi, tonic, C) for midi in (60, 64, 67, 70)] == [
        "at rest",
        "partly at rest",
        "partly at rest",
        "open",
    ]
    assert how_it_ends(60, chords[1], C) == "partly at rest"
    assert cadence_of(chords[6:8], 60, C) == "plagal"
    assert cadence_of(chords[5:6] + chords[2:3], 60, C) == "perfect authentic"


@pytest.mark.parametrize(
    "text",
    ["C | C7 | F | G7 | C", "C | C7 | F | C | C7 | F | G | C", "C | G7 | C7 | F"],
)
def test_where_the_plain_tonic_is_home_the_seventh_leads_to_iv(text: str) -> None:
    (seventh, *_) = [chord for chord in charted(text) if chord.label == "C:7"]
    assert seventh.roman == "V7/IV"
    assert how_it_ends(60, seventh, C) == "open"


def test_inversions_are_named_too() -> None:
    chords = charted("C7 | F7 | C7/E | C7/Bb")
    assert [chord.roman for chord in chords] == ["Ib7", "IVb7", "I6b5", "Ib42"]
    assert how_it_ends(60, chords[2], C) == "partly at rest"
    assert how_it_ends(60, chords[3], C) == "open"


def test_who_writes_the_tonic_seventh_means_it() -> None:
    chord = parse_chord("Ib7", C)
    assert (chord.label, how_it_ends(60, chord, C)) == ("C:7", "at rest")


def test_keys_that_have_the_seventh_need_no_name_for_it() -> None:
    chords = charted("G7 | C | G7", "G mixolydian")
    assert chords[0].roman == "I7"
