"""Lead-sheet names of chords, written from their labels."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from retune.carriers.heard import Key
from retune.theory.chordnames import chord_name
from retune.theory.chords import parse_chord, with_bass
from retune.theory.chordtables import LEAD_NAMES, SHORTHANDS

ROOTS = ("C", "C#", "Db", "D", "Eb", "E", "F", "F#", "Gb", "G", "Ab", "A", "Bb", "B", "Cb")


@pytest.mark.parametrize(
    ("typed", "name"),
    [  # common practice, no source
        ("Bb:maj", "Bb"),
        ("Bb:maj/3", "Bb/D"),
        ("D:maj/3", "D/F#"),
        ("D:7/b7", "D7/C"),
        ("F:7(b9)/3", "F7b9/A"),
        ("C:7(b9,#11)", "C7(b9,#11)"),
        ("B:hdim7", "Bm7b5"),
        ("C:maj6(9)", "C6/9"),
        ("C:maj(9)", "Cadd9"),
        ("G:sus4(b7)", "G7sus4"),
        ("C:minmaj7", "Cm(maj7)"),
        ("C-7", "Cm7"),
        ("F:maj/2", "F/G"),
        ("Cb:maj/5", "Cb/Gb"),
        ("N", "N.C."),
        ("X", "N.C."),
        ("C:1", "C:1"),
        ("C:(1,4)", "C:(1,4)"),
    ],
)
def test_names(typed: str, name: str) -> None:
    assert chord_name(parse_chord(typed)) == name


def test_a_moved_bass_is_named() -> None:
    home = Key("Bb", "major")
    assert chord_name(with_bass(parse_chord("F7", home), 9, home)) == "F7/A"
    assert chord_name(parse_chord("V65", home)) == "F7/A"


@pytest.mark.parametrize("quality", LEAD_NAMES)
def test_every_quality_has_a_name_that_reads_back(quality: str) -> None:
    label = f"Eb:{quality}"
    name = chord_name(parse_chord(label))
    assert ":" not in name
    assert parse_chord(name).label == label


@given(
    st.sampled_from(ROOTS),
    st.sampled_from(tuple(SHORTHANDS)),
    st.sampled_from(("", "(b9)", "(#11)", "(13)", "(#9,b13)")),
    st.sampled_from(("", "/3", "/b3", "/5", "/b7", "/2", "/#4")),
)
def test_names_read_back(root: str, quality: str, extra: str, bass: str) -> None:
    chord = parse_chord(f"{root}:{quality}{extra}{bass}")
    assert parse_chord(chord_name(chord)).label == chord.label
