"""Words in other scripts than ours, in what Typst sets."""

from __future__ import annotations

from dataclasses import replace

import pytest
from compare_songs import lantern

from retune.comparison.exports.foreign_text import is_foreign, lifted
from retune.comparison.exports.pictures import sheets
from retune.comparison.exports.typesetting import without_a_font
from retune.comparison.ladder import ladder_svg
from retune.comparison.picture import View, lane_svg
from retune.comparison.picture_style import text_width

TITLE = "Το φανάρι, фонарь, 灯りの歌, أغنية, Píseň"


def drawn(title: str) -> str:
    song = replace(lantern(), title=title)
    return lane_svg(song, view=View(title=title, embed_fonts=False, systems=None))


def test_what_our_face_spells_stays_in_the_picture() -> None:
    for words in ("B♭4 → É°", "Über “2 − 1” …", "č ř š ž ł ę"):
        assert not is_foreign(words), words
        assert lifted(drawn(words)) == (drawn(words), [])


@pytest.mark.parametrize("words", ["ň", "e\u030c", "Ж", "灯", "ن", "ồ"])
def test_other_letters_are_taken_out_where_they_stood(words: str) -> None:
    svg = drawn(words)
    without, taken = lifted(svg)
    assert words in svg.split("</desc>")[1]
    assert words not in without.split("</desc>")[1]
    (title,) = taken
    assert title["text"] == words
    assert (title["weight"], title["anchor"], title["fill"]) == (700, 0.0, "#16202a")
    assert title["size"] == pytest.approx(1.5 * View().font)


def test_all_scripts_of_one_line_are_set() -> None:
    """A letter that is left out leaves the same picture as a space."""
    pictures = set()
    for title in (TITLE, *(TITLE.replace(word, " ") for word in TITLE.split(", "))):
        facts = {"title": "x", "software": "x", "provenance": "x", "keywords": []}
        pictures.add(sheets([drawn(title)], facts, fmt="png", ppi=30))
    assert len(pictures) == 6


def test_a_long_title_of_a_ladder_is_broken() -> None:
    title = f"{TITLE} " * 4
    svg = ladder_svg(lantern(), title=title, width=900)
    lines = [line for line in svg.splitlines() if 'class="title"' in line and "φ" in line]
    assert len(lines) > 1
    _, taken = lifted(svg)
    for text in (one for one in taken if one["size"] == 27):
        assert text_width(text["text"], 27, bold=True) <= 900


def test_letters_are_as_wide_as_they_come() -> None:
    assert text_width("灯り", 10) == 20
    assert text_width("e\u030c", 10) == text_width("ě", 10) == text_width("e", 10)
    assert text_width("фонарь", 10) > 6 * 6


def test_letters_that_no_font_has_are_named() -> None:
    assert without_a_font("Ab é ♭") == ""
    assert without_a_font("Жаν\U00012ff0ň\U00012ff0") == "\U00012ff0"  # the last is in no script
