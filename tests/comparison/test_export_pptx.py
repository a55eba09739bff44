"""Slides as python-pptx reads them back."""

from __future__ import annotations

import io
import sys
import zipfile
from dataclasses import replace
from typing import Any

import pytest
from export_songs import lantern_material
from PIL import Image
from pptx import Presentation

from retune.carriers.changes import Plan
from retune.carriers.errors import UsageError
from retune.comparison.exports import pptx_file
from retune.comparison.exports.material import Material
from retune.comparison.exports.pptx_file import slides_pptx

_PICTURE = 13  # MSO_SHAPE_TYPE.PICTURE


def deck_of(material: Material) -> Any:
    return Presentation(io.BytesIO(slides_pptx(material)))


def texts(slide: Any) -> list[str]:
    return [shape.text_frame.text for shape in slide.shapes if shape.has_text_frame]


def pictures(slide: Any) -> list[Any]:
    return [shape for shape in slide.shapes if shape.shape_type == _PICTURE]


def test_a_slide_a_phrase_between_title_and_rules() -> None:
    deck = deck_of(lantern_material())
    told = [texts(slide) for slide in deck.slides]
    assert [words[0] for words in told] == [
        *("Lantern Song", "Phrase 1", "Phrase 2", "Phrase 3", "Phrase 4", "Phrase 5", "Phrase 6"),
        "Rules",
    ]
    assert "CC0 1.0\naltered with retune" in told[0][1]
    assert told[1][1] == "original: 5 over I, partly at rest"
    assert told[2][1] == "original: 2 over I, open\nhome-early: 1 over I, at rest"
    assert told[4][1] == "original: 2 over V, open\nhome-early: 1 over V, still open"
    assert told[7][1] == "home-early: move phrase-ending degree 2 to degree 1"


def test_text_is_large_and_nothing_leaves_the_slide() -> None:
    deck = deck_of(lantern_material())
    assert deck.slide_width / deck.slide_height == pytest.approx(16 / 9, rel=1e-3)
    for slide in deck.slides:
        for shape in slide.shapes:
            assert min(shape.left, shape.top) >= 0
            assert shape.left + shape.width <= deck.slide_width
            assert shape.top + shape.height <= deck.slide_height
            runs = shape.text_frame.paragraphs if shape.has_text_frame else ()
            for run in (run for paragraph in runs for run in paragraph.runs):
                assert run.font.size >= deck.slide_height / 28, run.text


def test_each_phrase_is_drawn_below_its_words_and_told_to_who_cannot_see_it() -> None:
    for slide in list(deck_of(lantern_material()).slides)[1:-1]:
        (picture,) = pictures(slide)
        drawn = Image.open(io.BytesIO(picture.image.blob))
        assert drawn.size[0] / drawn.size[1] == pytest.approx(
            picture.width / picture.height, rel=0.002
        )
        assert all(
            shape.top + shape.height <= picture.top for shape in slide.shapes if shape != picture
        )
        assert "phrase" in picture._element.nvPicPr.cNvPr.get("descr").lower()


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


def test_of_many_phrases_only_those_that_change(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pptx_file, "_FEW", 5)
    material = lantern_material()
    headings = [texts(slide)[0] for slide in deck_of(material).slides]
    assert headings == ["Lantern Song", "Phrase 2", "Phrase 4", "Rules"]
    unaltered = [texts(slide) for slide in deck_of(replace(material, plans=())).slides]
    assert len(unaltered) == 1 + 6
    assert unaltered[0][1].endswith("\nunaltered")


def test_many_variants_and_long_rules_take_more_slides() -> None:
    material = lantern_material()
    (plan,) = material.plans
    rule = "move phrase-ending degree 2 to degree 1 " * 6
    plans = tuple(replace(plan, name=f"v{k}", rules=(rule,) * 3) for k in range(3))
    told = [texts(slide) for slide in deck_of(replace(material, plans=plans)).slides]
    second = [words[1] for words in told if words[0].startswith("Phrase 2")]
    assert [words.count("\n") for words in second] == [2, 1]
    assert "v2: 1 over I, at rest" in second[1]
    rules = [words[1] for words in told if words[0] == "Rules"]
    assert len(rules) > 1
    assert sum(words.count(rule.strip()) for words in rules) == 9


def test_strange_words_and_a_song_without_phrases() -> None:
    material = lantern_material()
    strange = replace(
        material,
        analysis=replace(material.analysis, title="A\x01\ufffe<b>" + "é" * 400, stems={}),
        plans=(Plan((), rules=("\x02 & <rule>",), name="x\x03"),),
        rights="",
    )
    first, last = deck_of(strange).slides
    assert texts(first)[0].startswith("A\ufffd\ufffd<b>é")
    assert texts(last)[1] == "x\ufffd: \ufffd & <rule>"
    assert "Rights: not stated" in last.notes_slide.notes_text_frame.text


def test_the_line_of_the_drawn_version_has_its_ink() -> None:
    box = list(deck_of(lantern_material()).slides)[2].shapes[1]
    inks = [str(paragraph.runs[0].font.color.rgb) for paragraph in box.text_frame.paragraphs]
    assert inks == ["16202A", "0068A6"]


def test_notes_are_named_where_no_key_is_known() -> None:
    material = lantern_material()
    vocal = material.analysis.stems["vocal"]
    phrases = tuple(replace(phrase, ending_degree=None) for phrase in vocal.phrases)
    stems = {**material.analysis.stems, "vocal": replace(vocal, phrases=phrases)}
    unkeyed = replace(material, analysis=replace(material.analysis, stems=stems))
    second = texts(list(deck_of(unkeyed).slides)[2])[1]
    assert second.startswith("original: C5 over I, open")


def test_without_typst_there_is_text_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pptx_file, "find_spec", lambda name: None)
    slides = list(deck_of(lantern_material()).slides)
    assert len(slides) == 8
    assert not any(map(pictures, slides))


def test_without_the_library_the_extra_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pptx", None)
    with pytest.raises(UsageError, match=r"pip install 'retune\[slides\]'"):
        slides_pptx(lantern_material())
