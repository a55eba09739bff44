"""A note in doubt has a sign and words wherever it shows, whatever the doubt is about."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from xml.etree import ElementTree as Xml

import pytest
from compare_songs import lantern

from retune.carriers.heard import Analysis
from retune.comparison.exports.material import Material
from retune.comparison.exports.musicxml import musicxml_text
from retune.comparison.exports.tables import csv_tables
from retune.comparison.picture import View, lane_svg


def doubted(**doubt: Any) -> Analysis:
    """The lullaby with its second note in doubt."""
    analysis = lantern()
    melody = analysis.melody
    assert melody is not None
    notes = list(melody.notes)
    notes[1] = replace(notes[1], **doubt)
    stem = replace(melody, notes=tuple(notes))
    return replace(analysis, stems={**analysis.stems, melody.name: stem})


@pytest.mark.parametrize(
    "doubt", [{"confidence": 0.2, "doubt": "faint in the mix"}, {"singer": 0.3}]
)
def test_a_doubt_has_a_sign_in_the_picture_and_in_its_key(doubt: dict[str, Any]) -> None:
    plain, shown = (
        lane_svg(a, view=View(width=1000, font=15)) for a in (lantern(), doubted(**doubt))
    )
    assert "in doubt" not in plain
    assert shown.count(">?</text>") == 2
    assert "note in doubt" in shown
    assert f"in doubt: {doubt.get('doubt', 'several small doubts')}" in shown


def test_a_score_sets_the_head_of_a_note_in_doubt_in_parentheses() -> None:
    def heads(analysis: Analysis) -> list[str | None]:
        root = Xml.fromstring(musicxml_text(Material(analysis), None).encode())
        return [head.get("parentheses") for head in root.iter("notehead")]

    assert heads(lantern()) == []
    found = heads(doubted(singer=0.3))
    assert found
    assert set(found) == {"yes"}


def test_a_table_says_the_doubt_in_words() -> None:
    assert "several small doubts" in csv_tables(Material(doubted(singer=0.3)))["notes.csv"]
