"""Role words in rules: one file of variants for songs whose stems are called anything."""

from __future__ import annotations

import pytest

from retune.carriers.errors import RuleError
from retune.rules import understand

ROLES = {
    "Vox": "melody", "Low-DI": "bass", "BV-1": "harmony", "BV-2": "harmony", "Lead-Dbl": "double",
    "Keys": "backing",
}  # fmt: skip


def read(text: str, roles: dict[str, str] = ROLES) -> list[str]:
    return [str(rule) for rule in understand(text, stems=tuple(roles), roles=roles)]


@pytest.mark.parametrize(
    ("text", "canonical"),
    [
        ("shift bass down 1 octave", "shift Low-DI down 1 octave"),
        ("shift the bass two semitones down in bars 3-4",
         "shift Low-DI down 2 semitones in bars 3-4"),
        ("transpose the bass up a fifth in phrase 1", "shift Low-DI up 4 scale steps in phrase 1"),
        ("shift harmonies up 1 octave", "shift BV-1, BV-2 up 1 octave"),
        ("shift the double down 1 octave", "shift Lead-Dbl down 1 octave"),
        ("move vocal phrase-ending note to degree 1", "move Vox phrase-ending note to degree 1"),
        ("move melody every degree 2 to degree 1", "move Vox every degree 2 to degree 1"),
    ],
)  # fmt: skip
def test_a_role_word_names_the_stems_of_that_role(text: str, canonical: str) -> None:
    assert read(text) == [canonical]


def test_a_stem_of_that_name_comes_first() -> None:
    roles = {"bass": "backing", "Low-DI": "bass", "vox": "melody"}
    assert read("shift bass down 1 octave", roles) == ["shift bass down 1 octave"]


def test_harmony_elsewhere_is_still_the_chord() -> None:
    (rule,) = read("move every note that is not in the harmony to the nearest chord tone")
    assert "BV-1" not in rule


def test_without_a_stem_of_the_role_the_word_is_not_understood() -> None:
    with pytest.raises(RuleError):
        read("shift bass down 1 octave", {"Vox": "melody"})


def test_a_fault_is_told_of_what_was_typed() -> None:
    text = "shift the bass down 1.5 scale steps"
    with pytest.raises(RuleError) as told:
        read(text)
    assert told.value.text == text
    assert text[told.value.column :].startswith("1.5")


@pytest.mark.parametrize(
    ("text", "role"),
    [
        ("shift the double down 1 octave", "double"),
        ("shift harmonies up 1 octave in bar 4", "harmony"),
        ("shift the backing vocals up a third", "harmony"),
        ("shift bass down 1 octave", "bass"),
    ],
)
def test_a_role_that_no_stem_has_is_named_with_those_there_are(text: str, role: str) -> None:
    with pytest.raises(RuleError, match=f"no stem of the role {role}; there are vox"):
        understand(text, stems=("vox",), roles={"vox": "melody"})


def test_what_the_harmony_of_the_chords_does_is_no_role() -> None:
    with pytest.raises(RuleError) as told:
        understand("shift harmony wildly", stems=("vox",), roles={"vox": "melody"})
    assert "no stem of the role" not in str(told.value)
