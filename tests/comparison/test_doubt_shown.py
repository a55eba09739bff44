"""A note in doubt has a sign and words wherever it shows, whatever the doubt is about."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from xml.etree import ElementTree as Xml

import pytest
from compare_songs import lantern

from retune.carriers.heard import SECOND_VOICE, Analysis
from retune.comparison.estimated import second_voice_told, what_is_estimated
from retune.comparison.exports.deck import slides_of
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


def test_a_second_voice_has_a_sign_of_its_own_and_is_told_in_plain_words() -> None:
    plain, beside = lantern(), doubted(doubt=SECOND_VOICE)
    words = "a second voice sings along in phrase 1"
    shown = lane_svg(beside, view=View(width=1000, font=15))
    assert shown.count(">2?</text>") == 2
    assert SECOND_VOICE in shown
    assert "note in doubt" not in shown
    both = lane_svg(two_doubts(), view=View(width=1000, font=15))
    assert both.count(">2?</text>") == both.count(">?</text>") == 2
    assert second_voice_told(plain) == ""
    assert second_voice_told(beside) == words
    assert words in what_is_estimated(beside)
    said = [line.text for slide in slides_of(Material(beside)) for line in slide.lines]
    assert any(words in text.replace("A second", "a second") for text in said)


def two_doubts() -> Analysis:
    """Beside a second voice, and another note in doubt."""
    analysis = doubted(doubt=SECOND_VOICE)
    melody = analysis.melody
    assert melody is not None
    notes = (*melody.notes[:2], replace(melody.notes[2], confidence=0.2), *melody.notes[3:])
    stem = replace(melody, notes=notes)
    return replace(analysis, stems={**analysis.stems, melody.name: stem})
