"""Slides as python-pptx reads them back."""

from __future__ import annotations

import io
import re
import sys
import time
import zipfile
from dataclasses import replace
from typing import Any

import pytest
from export_songs import lantern_material
from pptx import Presentation

from retune.carriers.changes import Plan
from retune.carriers.errors import UsageError
from retune.comparison.exports import deck, pptx_file
from retune.comparison.exports.deck import slides_of
from retune.comparison.exports.fitting import lines_of, width_at_most
from retune.comparison.exports.material import Material
from retune.comparison.exports.pptx_file import slides_pptx
from retune.comparison.exports.slide import (
    GAP,
    HEIGHT,
    INSIDE,
    KEY_NAME,
    KEY_WIDTH,
    LEAST_PT,
    SMALL_PT,
    head_size,
    key_name,
    line_height,
    text_size,
)
from retune.comparison.svg import size_of

_PICTURE = 13  # MSO_SHAPE_TYPE.PICTURE


def deck_of(material: Material) -> Any:
    return Presentation(io.BytesIO(slides_pptx(material)))


def texts(slide: Any) -> list[str]:
    return [
        shape.text_frame.text
        for shape in slide.shapes
        if shape.has_text_frame and shape.text_frame.text
    ]


def pictures(slide: Any) -> list[Any]:
    return [shape for shape in slide.shapes if shape.shape_type == _PICTURE]


def clip(version: str, span_s: tuple[float, float] | None) -> bytes:
    """Not a sound, but one that tells what it would be of."""
    return f"{version} {span_s}".encode()


def test_one_phrase_a_slide_and_the_song_as_its_ladder() -> None:
    told = [texts(slide) for slide in deck_of(lantern_material()).slides]
    assert [words[0] for words in told] == [
        "Lantern Song",
        "As sung: 1 at rest, 2 partly at rest, 3 open",
        "Phrase 2 in home-early: 2 → 1 over I, at rest",
        "Phrase 4 in home-early: 2 → 1 over V, still open",
        "home-early: phrase 2 now at rest; phrase 4 still open",
        "The rules",
        "Before you draw conclusions",
    ]
    assert "CC0 1.0\nAltered with retune." in told[0][1]
    assert told[3][1].startswith("As sung: 2 over V, open")
    assert "△ B♭4 sounds a semitone from A" in told[3][1]
    assert told[5][1] == "home-early: move phrase-ending degree 2 to degree 1"


def test_text_is_large_and_nothing_overlaps_or_leaves_the_slide() -> None:
    made = Presentation(io.BytesIO(slides_pptx(lantern_material(), clip=clip)))
    assert made.slide_width / made.slide_height == pytest.approx(16 / 9, rel=1e-3)
    for slide in made.slides:
        shapes = list(slide.shapes)
        for shape in shapes:
            assert min(shape.left, shape.top) >= 0
            assert shape.left + shape.width <= made.slide_width
            assert shape.top + shape.height <= made.slide_height
            runs = shape.text_frame.paragraphs if shape.has_text_frame else ()
            for run in (run for paragraph in runs for run in paragraph.runs):
                assert run.font.size >= made.slide_height / 28, run.text
        for k, one in enumerate(shapes):
            for other in shapes[k + 1 :]:
                apart = (
                    one.left + one.width <= other.left
                    or other.left + other.width <= one.left
                    or one.top + one.height <= other.top
                    or other.top + other.height <= one.top
                )
                assert apart, (one.name, other.name)


def test_what_is_drawn_is_large_enough_for_the_last_row() -> None:
    for slide in slides_of(lantern_material()):
        if slide.svg:
            scale = slide.picture_box.width / size_of(slide.svg)[0]
            smallest = min(map(float, re.findall(r"font-size:([\d.]+)px", slide.svg)))
            assert smallest * scale >= LEAST_PT - 0.01, slide.headline


def test_each_picture_is_told_to_who_cannot_see_it() -> None:
    for slide in list(deck_of(lantern_material()).slides)[1:5]:
        (picture,) = pictures(slide)
        assert "phrase" in picture._element.nvPicPr.cNvPr.get("descr").lower()


def test_the_sound_of_each_version_is_inside_beside_its_name() -> None:
    data = slides_pptx(lantern_material(), clip=clip)
    with zipfile.ZipFile(io.BytesIO(data)) as package:
        sounds = {package.read(n).decode() for n in package.namelist() if n.endswith(".mp3")}
        slide = package.read("ppt/slides/slide3.xml").decode()
        related = package.read("ppt/slides/_rels/slide3.xml.rels").decode()
    assert {"original None", "home-early None"} <= sounds
    assert len(sounds) == 2 + 2 * 2  # the whole song and two phrases, of both versions
    assert slide.count("<a:audioFile ") == slide.count("<p:audio>") == 2
    assert "video" not in slide
    assert related.count("relationships/audio") == 2
    assert "relationships/video" not in related
    boxes = [text for text in texts(Presentation(io.BytesIO(data)).slides[2]) if "\n" not in text]
    assert boxes[-2:] == ["original", "home-early"]


def test_rights_and_cautions_are_in_the_notes_of_every_slide() -> None:
    for slide in deck_of(lantern_material()).slides:
        notes = slide.notes_slide.notes_text_frame.text
        assert notes.startswith("Rights: CC0 1.0\nAltered with retune: home-early: move")
        assert "The altered voice sings what nobody sang." in notes
        assert "vocal.flac sha256 abab" in notes


def test_every_part_is_dated_alike() -> None:
    data = slides_pptx(lantern_material())
    with zipfile.ZipFile(io.BytesIO(data)) as package:
        assert package.testzip() is None
        assert {part.date_time for part in package.infolist()} == {(1980, 1, 1, 0, 0, 0)}
    facts = Presentation(io.BytesIO(data)).core_properties
    assert facts.created == facts.modified
    assert facts.created.year == 1980
    assert (facts.title, facts.keywords) == ("Lantern Song", "altered with retune")


def test_without_variants_each_phrase_is_shown_as_sung() -> None:
    told = [texts(slide) for slide in deck_of(replace(lantern_material(), plans=())).slides]
    assert told[0][1].endswith("\nUnaltered.")
    assert told[2][0] == "Phrase 1: 5 over I, partly at rest"
    assert len(told) == 1 + 1 + 6 + 1


def test_many_variants_and_long_rules_take_more_slides() -> None:
    material = lantern_material()
    (plan,) = material.plans
    rule = "move phrase-ending degree 2 to degree 1 " * 6
    plans = tuple(replace(plan, name=f"v{k}", rules=(rule,) * 3) for k in range(3))
    told = [texts(slide) for slide in deck_of(replace(material, plans=plans)).slides]
    rules = [words[1] for words in told if words[0] == "The rules"]
    assert len(rules) > 1
    assert sum(words.count(rule.strip()) for words in rules) == 9


def test_of_a_long_song_the_ladder_shows_what_changes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(deck, "_rungs", lambda: 2)
    ladders = [s for s in slides_of(lantern_material()) if 'class="rung"' in s.svg]
    assert [slide.svg.count('class="rung"') for slide in ladders] == [2, 2, 2, 2]
    assert ladders[0].headline.endswith("open (1 of 3)")
    assert 'data-phrase="4"' in ladders[3].svg


def test_found_facts_and_mixes_are_called_so() -> None:
    material = lantern_material()
    analysis = replace(material.analysis, key_source="estimated", key_confidence=0.7)
    plan = replace(material.plans[0], caveat="from a full mix: approximate")
    slides = slides_of(replace(material, analysis=analysis, plans=(plan,)))
    assert "(estimated, 7 of 10 sure)" in slides[0].lines[0].text
    assert slides[0].lines[-1].text == "Altered with retune, from a full mix: approximate."
    assert slides[2].lines[-1].text == "Key estimated; from a full mix: approximate."


def test_strange_words_and_a_song_without_phrases() -> None:
    material = lantern_material()
    strange = replace(
        material,
        analysis=replace(material.analysis, title="A\x01\ufffe<b>" + "é" * 400, stems={}),
        plans=(Plan((), rules=("\x02 & <rule>",), name="x\x03"),),
        rights="",
    )
    first, rules, _ = deck_of(strange).slides
    assert texts(first)[0].startswith("A\ufffd\ufffd<b>é")
    assert texts(rules)[1] == "x\ufffd: \ufffd & <rule>"
    assert "Rights: not stated" in rules.notes_slide.notes_text_frame.text


def test_notes_are_named_where_no_key_is_known() -> None:
    material = lantern_material()
    vocal = material.analysis.stems["vocal"]
    phrases = tuple(replace(phrase, ending_degree=None) for phrase in vocal.phrases)
    stems = {**material.analysis.stems, "vocal": replace(vocal, phrases=phrases)}
    unkeyed = replace(material, analysis=replace(material.analysis, stems=stems))
    assert slides_of(unkeyed)[2].lines[0].text.startswith("C5 over I, open")


def test_without_typst_there_is_text_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pptx_file, "find_spec", lambda name: None)
    slides = list(deck_of(lantern_material()).slides)
    assert len(slides) == 7
    assert not any(map(pictures, slides))


def test_without_the_library_the_extra_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pptx", None)
    with pytest.raises(UsageError, match=r"pip install 'retune\[slides\]'"):
        slides_pptx(lantern_material())


WIDE_NAME = "W" * 64
LONG_NAME = "home-early-and-everything-else-besides-that-a-class-may-ask-for"


def crowded(title: str) -> Material:
    """Nine variants with long names, and words as long as song files hold them."""
    material = lantern_material()
    (plan,) = material.plans
    names = (WIDE_NAME, LONG_NAME, *(f"v{k}" for k in range(7)))
    return replace(
        material,
        analysis=replace(material.analysis, title=title),
        plans=tuple(replace(plan, name=name) for name in names),
        rights="invented for a test, free to use " * 20,
        abouts=dict.fromkeys(names, "Every waiting ending comes home. " * 5),
    )


@pytest.mark.parametrize("title", ["A song " * 30, "灯りの子守唄" * 20, "Песнь о фонаре " * 9])
def test_long_words_are_cut_and_nothing_leaves_its_place(title: str) -> None:
    slides = slides_of(crowded(title))
    for slide in slides:
        rows = lines_of(slide.headline, head_size(slide), INSIDE, bold=True)
        assert rows == 1 or slide.kind == "title", slide.headline
        if slide.svg:
            assert slide.picture_box.top + slide.picture_box.height <= HEIGHT
        else:
            needed = sum(line_height(line, text_size(slide)) + GAP for line in slide.lines)
            assert needed <= slide.lines_box.height, slide.headline
    told = [line.lead or line.text for line in slides[0].lines]
    assert any(words.startswith("and ") and "more variant" in words for words in told)
    assert slides[0].lines[-1].text == "Altered with retune."
    assert "2 → 1 over V, still open" in slides[3].headline


@pytest.mark.parametrize("name", [WIDE_NAME, LONG_NAME, "home-with-harmony"])
def test_the_name_of_a_version_keeps_its_place(name: str) -> None:
    shown = key_name(name)
    assert width_at_most(shown, SMALL_PT, bold=True) <= KEY_WIDTH - KEY_NAME
    assert (shown == name) == (name == "home-with-harmony")


@pytest.mark.parametrize("clock", ["0", "-86400", "4500000000", "99999999999999"])
def test_no_clock_keeps_slides_from_being_written(
    clock: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A ZIP file holds dates from 1980 to 2107; a computer without a battery begins in 1970."""
    material = replace(lantern_material(), plans=())
    monkeypatch.setenv("SOURCE_DATE_EPOCH", clock)
    monkeypatch.setattr(time, "time", lambda: min(float(clock), 1e11))
    with zipfile.ZipFile(io.BytesIO(slides_pptx(material))) as package:
        assert {part.date_time[0] for part in package.infolist()} == {1980}
