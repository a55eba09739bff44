"""Words and sections in pictures, scores and tables."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from types import MappingProxyType

import pytest
from compare_songs import lantern
from export_songs import lantern_material

from retune.carriers.heard import Analysis, Section
from retune.comparison.exports.musicxml import musicxml_text
from retune.comparison.exports.tables import csv_tables
from retune.comparison.picture import View, lane_svg
from retune.comparison.picture_lyrics import Word, spread
from retune.comparison.picture_style import text_width

SVG = "{http://www.w3.org/2000/svg}"
SYLLABLES = ("lan-", "tern", "burns", "_", "low")


def worded() -> Analysis:
    song = lantern()
    stem = song.melody
    notes = tuple(replace(n, lyric=SYLLABLES[k % 5]) for k, n in enumerate(stem.notes))
    stems = MappingProxyType({**song.stems, stem.name: replace(stem, notes=notes)})
    half_s = song.duration_s / 2
    sections = (
        Section(0.0, half_s, "verse"),
        Section(half_s, song.duration_s, "verse", "found by repetition"),
    )
    return replace(song, stems=stems, sections=sections)


@pytest.mark.parametrize("width", [390, 640, 1280, 1920, 3840])
@pytest.mark.parametrize("systems", [None, 1])
def test_words_never_meet(width: int, systems: int | None) -> None:
    root = ET.fromstring(lane_svg(worded(), view=View(width=width, font=14, systems=systems)))
    rows: dict[str, list[tuple[float, float]]] = {}
    for text in root.iter(f"{SVG}text"):
        if text.get("class") == "ly":
            x = float(text.get("x"))
            rows.setdefault(text.get("y"), []).append((x, x + text_width(text.text, 0.9 * 14)))
    assert rows
    for spans in rows.values():
        for (_, end), (start, _) in zip(sorted(spans), sorted(spans)[1:], strict=False):
            assert start >= end
        assert max(end for _, end in spans) <= width


def test_every_syllable_stands_in_a_wide_picture() -> None:
    song = worded()
    root = ET.fromstring(lane_svg(song, view=View(width=3840, font=14)))
    shown = [t.text for t in root.iter(f"{SVG}text") if t.get("class") == "ly"]
    assert sorted(shown) == sorted(n.lyric for n in song.melody.notes if n.lyric != "_")


def test_sections_are_counted_and_those_found_slanted() -> None:
    svg = lane_svg(worded(), view=View(width=1920))
    assert re.findall(r'class="([^"]*)"[^>]*>(verse \d)<', svg) == [
        ("b", "verse 1"),
        ("i b", "verse 2"),
    ]
    assert "sections verse 1, verse 2" in svg


def test_words_move_aside_no_farther_than_allowed() -> None:
    close = [Word("low", 0.0, 5.0, 20.0), Word("now", 12.0, 20.0, 20.0)]
    assert spread(close, 0.0, 100.0, 10.0) == [0.0, pytest.approx(22.2)]
    assert spread([replace(close[0], width=50.0), close[1]], 0.0, 100.0, 10.0) is None
    assert spread(close, 0.0, 30.0, 10.0) is None


def test_syllables_in_a_score_and_in_tables() -> None:
    material = replace(lantern_material(), analysis=worded(), plans=())
    score = ET.fromstring(musicxml_text(material, None))
    found = [
        (lyric.findtext("syllabic"), lyric.findtext("text"), lyric.find("extend") is not None)
        for lyric in score.iter("lyric")
    ]
    assert found[:4] == [
        ("begin", "lan", False),
        ("end", "tern", False),
        ("single", "burns", True),
        ("single", "low", False),
    ]
    tables = csv_tables(material)
    assert tables["notes.csv"].splitlines()[1].endswith(",lan-")
    assert tables["sections.csv"].count("verse") == 2
