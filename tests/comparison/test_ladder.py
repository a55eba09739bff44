"""The ladder of endings: rows aligned, like phrases together, nothing beyond the paper."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace
from types import MappingProxyType

import pytest
from compare_songs import home_early, lantern, without_theory

from retune.carriers.errors import UsageError
from retune.carriers.heard import Analysis
from retune.comparison.ladder import ladder_svg
from retune.comparison.ladder_layout import in_pages, ladder_rows
from retune.comparison.picture_style import text_width

SVG = "{http://www.w3.org/2000/svg}"
LETTERS = ("a", "b", "c", "a'", "b", "d")
SIZES = {"title": 1.5, "sk": 0.84, "s": 0.84, "ly": 0.9}


def lettered() -> Analysis:
    song = lantern()
    stem = song.melody
    phrases = tuple(
        replace(p, alike=letter) for p, letter in zip(stem.phrases, LETTERS, strict=True)
    )
    stems = MappingProxyType({**song.stems, stem.name: replace(stem, phrases=phrases)})
    return replace(song, stems=stems)


def rungs(root: ET.Element) -> list[ET.Element]:
    return [g for g in root.iter(f"{SVG}g") if g.get("class") == "rung"]


def test_like_phrases_stand_together_in_order_of_the_song() -> None:
    assert [e.number for e in ladder_rows(lettered())] == [1, 4, 2, 5, 3, 6]


def test_rows_are_aligned_at_their_endings() -> None:
    song = lettered()
    for row in rungs(ET.fromstring(ladder_svg(song))):
        upright = next(x for x in row if x.get("class") == "ln bar")
        ending = song.melody.phrases[int(row.get("data-phrase")) - 1].ending_note
        inside = [n.index for n in song.melody.notes if n.phrase == int(row.get("data-phrase"))]
        notes = [x for x in row if x.get("class") == "ln body"]
        start = float(notes[inside.index(ending)].get("x1"))
        assert start == pytest.approx(float(upright.get("x1")) + 0.12 * 18, abs=0.11)


def test_both_ladders_read_downwards() -> None:
    song = lettered()
    root = ET.fromstring(ladder_svg(song, home_early(song)))
    big = [
        [t.text for t in row if (t.get("class") or "").startswith("title")] for row in rungs(root)
    ]
    assert big == [["5", "5"], ["2", "1"], ["2", "1"], ["4", "4"], ["3", "3"], ["1", "1"]]


@pytest.mark.parametrize("width", [340, 860, 1240, 1840])
def test_nothing_reaches_beyond_the_paper(width: float) -> None:
    song = lettered()
    root = ET.fromstring(ladder_svg(song, home_early(song), width=width, font=14))
    for text in root.iter(f"{SVG}text"):
        css = (text.get("class") or "").split()
        size = 14 * next((SIZES[name] for name in css if name in SIZES), 1.0)
        wide = text_width(text.text or "", size, bold="b" in css or "title" in css)
        x = float(text.get("x")) - (wide if text.get("text-anchor") == "end" else 0)
        assert x >= -0.5
        assert x + wide <= width + 0.5


def test_a_quiz_keeps_the_answers_off() -> None:
    svg = ladder_svg(lettered(), quiz=True)
    assert not any(word in svg for word in ("at rest", "open", "last chords"))


def test_without_phrases_the_message_says_so() -> None:
    song = lantern()
    stem = replace(song.melody, phrases=())
    with pytest.raises(UsageError, match="no phrase"):
        ladder_svg(replace(song, stems=MappingProxyType({stem.name: stem})))


def test_without_a_key_the_notes_are_named() -> None:
    song = without_theory(lantern())
    root = ET.fromstring(ladder_svg(song, home_early(lantern())))
    big = [[t.text for t in row if "title" in (t.get("class") or "")] for row in rungs(root)]
    assert [names[0] for names in big] == ["F4", "C5", "D5", "C5", "E♭5", "B♭4"]


def test_a_long_ladder_is_paged_in_order_and_at_one_scale() -> None:
    song = lettered()
    pages = in_pages(ladder_rows(song), most=4)
    assert pages == [[1, 4, 2], [5, 3, 6]]
    drawn = [ET.fromstring(ladder_svg(song, phrases=page)) for page in pages]
    assert [[int(row.get("data-phrase")) for row in rungs(root)] for root in drawn] == pages
    uprights = {
        next(x for x in row if x.get("class") == "ln bar").get("x1")
        for root in drawn
        for row in rungs(root)
    }
    assert len(uprights) == 1


def test_a_wide_label_leaves_the_line_free() -> None:
    song = lettered()
    stem = song.melody
    phrases = tuple(replace(p, alike="abcdefgh''"[:9]) for p in stem.phrases)
    stems = MappingProxyType({**song.stems, stem.name: replace(stem, phrases=phrases)})
    root = ET.fromstring(ladder_svg(replace(song, stems=stems), width=700, font=18, brief=True))
    for row in rungs(root):
        label = next(x for x in row if x.get("class") == "i")
        line = min(float(x.get("x1")) for x in row if x.get("class") in ("ln hair", "ln body"))
        assert float(label.get("x")) + text_width(label.text, 18) < line
