"""Pictures, slides, handouts and answer sheets as Pillow, ElementTree and Poppler read them."""

from __future__ import annotations

import io
import json
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as Xml

import numpy as np
import pytest
from compare_songs import lantern
from export_songs import lantern_material
from PIL import Image

from retune.carriers.changes import Consequence, Edit, Plan
from retune.carriers.heard import Bars, Phrase
from retune.comparison.exports.blind_sheet import answers_csv, design_json, design_of, sheet_pdf
from retune.comparison.exports.classroom import as_sung, finding, handout_pdf, listed
from retune.comparison.exports.material import Material
from retune.comparison.exports.passages import MOST_BARS, busiest, stretches
from retune.comparison.exports.pictures import picture_pdf, picture_png, picture_svg
from retune.comparison.exports.slides_pdf import slides_pdf
from retune.comparison.responses import parse_responses

needs_poppler = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="needs the programs of poppler-utils"
)


def poppler(program: str, data: bytes) -> str:
    """What a program of Poppler says of a PDF given on its standard input."""
    words = [program, "-", "-"] if program == "pdftotext" else [program, "-"]
    done = subprocess.run(words, input=data, capture_output=True, check=True)
    return done.stdout.decode("utf-8")


def pages_of(data: bytes) -> int:
    match = re.search(r"Pages:\s+(\d+)", poppler("pdfinfo", data))
    assert match is not None
    return int(match[1])


def test_svg_is_xml_with_its_origin() -> None:
    material = lantern_material()
    root = Xml.fromstring(picture_svg(material, material.plans[0]))
    told = {
        element.tag.rpartition("}")[2]: element.text
        for element in root.iter()
        if "purl.org/dc" in element.tag
    }
    assert told["title"] == "Lantern Song: home-early"
    assert told["rights"] == "CC0 1.0"
    assert str(told["description"]).startswith("altered with retune: home-early")
    assert "vocal.flac sha256 abab" in str(told["source"])


def test_png_is_the_picture_and_says_so() -> None:
    material = lantern_material()
    data = picture_png(material, material.plans[0])
    with Image.open(io.BytesIO(data)) as image:
        image.load()
        assert image.width == 2 * (1280 + 24)
        assert image.text["Title"] == "Lantern Song: home-early"
        assert image.text["Comment"].startswith("altered with retune")
        assert image.text["Copyright"] == "CC0 1.0"
        assert "Phrase 2 ends in bar 8" in image.text["Description"]
        pixels = np.asarray(image.convert("RGB")).reshape(-1, 3)
    # Ink, paper and the ink of what changed are all there; almost all is paper.
    for colour, least in (((22, 32, 42), 0.005), ((255, 255, 255), 0.8), ((0, 104, 166), 0.0005)):
        assert np.mean(np.all(np.abs(pixels.astype(int) - colour) < 6, axis=1)) > least
    assert data == picture_png(material, material.plans[0])


@needs_poppler
def test_pdf_picture_has_words_fonts_and_origin() -> None:
    material = lantern_material()
    data = picture_pdf(material, material.plans[0])
    words = poppler("pdftotext", data)
    assert "phrase 1" in words
    assert "partly at rest" in words
    fonts = [line for line in poppler("pdffonts", data).splitlines()[2:] if line]
    assert fonts
    assert all("RetuneText" in line.replace(" ", "") for line in fonts)
    assert all(" yes yes yes " in line for line in fonts), "embedded, subset, with Unicode"
    facts = poppler("pdfinfo", data)
    assert "altered with retune: home-early" in facts
    assert "CreationDate" not in facts
    assert data == picture_pdf(material, material.plans[0])


@needs_poppler
def test_slides_say_what_was_found() -> None:
    material = lantern_material()
    data = slides_pdf(material)
    pages = poppler("pdftotext", data).split("\f")
    assert "Lantern Song" in pages[0]
    assert "phrases come home" in pages[0]
    assert "As sung: 1 at rest, 2 partly at rest, 3 open" in pages[1]
    assert "Phrase 2 in home-early: 2 → 1 over I, at rest" in pages[2]
    assert "Bar 8: the tonic ends phrase 2 over I." in pages[2]
    assert "B♭4 sounds a semitone from A" in " ".join(pages[3].split())
    assert "home-early: phrase 2 now at rest; phrase 4 still open" in pages[4]
    assert "Hearing" in pages[6]
    assert pages_of(data) == 7
    assert slides_pdf(material) == data


@needs_poppler
def test_a_busy_plan_stays_on_its_slides() -> None:
    material = lantern_material()
    (edit, *_) = material.plans[0].edits
    edits = tuple(
        replace(edit, start_s=note.start_s, end_s=note.end_s, note=note.index, phrase=note.phrase)
        for note in material.analysis.stems["vocal"].notes
    )
    words = (
        "Bar 16: F2 of bass moves by 5 semitones; beyond 3 its effort and colour will not match "
    )
    consequences = tuple(Consequence("shift-size", 15.0, 2 * words) for _ in range(12))
    plan = replace(material.plans[0], edits=edits, consequences=consequences)
    assert pages_of(slides_pdf(replace(material, plans=(plan,)))) == 1 + 1 + 6 + 1 + 1 + 1


@needs_poppler
def test_handout_is_a_page_and_a_ladder_without_the_answers() -> None:
    material = lantern_material()
    data = handout_pdf(material, material.plans[0])
    assert pages_of(data) == 2
    words = " ".join(poppler("pdftotext", data).split())
    assert "Does the melody come home?" in words
    assert "phrases 2 and 4 end otherwise" in words
    assert "The original and one variant, altered with retune." in words
    assert "home-early" not in words
    assert "◆" not in words
    assert "still open" not in words
    assert pages_of(handout_pdf(replace(material, plans=()), None)) == 2


@needs_poppler
def test_what_a_user_writes_is_never_markup() -> None:
    analysis = replace(lantern(), title='#panic("x") *a* $b$ \\ <script> "q"')
    data = slides_pdf(Material(analysis, rights="#set page(fill: red)"))
    words = poppler("pdftotext", data)
    assert '#panic("x") *a* $b$ \\ <script> "q"' in words
    assert "#set page(fill: red)" in words


@needs_poppler
def test_answer_sheet_names_no_version() -> None:
    material = lantern_material()
    plan = material.plans[0]
    design = design_of(material, plan)
    assert design is not None
    data = sheet_pdf(material, plan, design)
    assert pages_of(data) == 1
    words = poppler("pdftotext", data)
    assert "Which of the two sounds finished?" in words
    assert "home-early" not in words
    assert "matched-control" not in words
    lines = [line for line in words.splitlines() if line.strip().isdecimal()]
    assert [int(line) for line in lines] == list(range(1, len(design.trials) + 1))


def test_answer_table_reads_once_it_is_filled_in() -> None:
    material = lantern_material()
    plan = material.plans[0]
    design = design_of(material, plan)
    assert design is not None
    key = json.loads(design_json(material, plan, design))
    assert [t["kind"] for t in key["trials"]].count("pair") == 16
    assert key["altered"].startswith("altered with retune")
    lines = answers_csv(design, listener="anna").splitlines()
    filled = "\n".join([lines[0], *(f"{line}second" for line in lines[1:])])
    found = parse_responses(filled, name="sheet")
    assert [r.trial for r in found] == [t.number for t in design.trials]


def test_a_variant_that_touches_no_phrase_makes_no_test() -> None:
    material = lantern_material()
    plan = Plan((Edit("bass", 1.0, 2.0, -200.0, "shift bass down 2 semitones"),), name="x")
    assert design_of(material, plan) is None


def long_song(n_bars: int) -> Material:
    analysis = lantern()
    downbeats = tuple(2.0 * k for k in range(n_bars + 1))
    phrases = tuple(Phrase(k + 1, 8.0 * k - 0.5, 8.0 * k + 7.0) for k in range(max(n_bars // 4, 1)))
    melody = replace(analysis.stems["vocal"], phrases=phrases)
    return Material(
        replace(
            analysis,
            bars=Bars(downbeats, (3, 4), 90.0),
            duration_s=downbeats[-1],
            stems={"vocal": melody},
        )
    )


@pytest.mark.parametrize("n_bars", [26, 48, 60, 61, 97, 200])
def test_long_songs_are_cut_at_phrases_and_lose_no_bar(n_bars: int) -> None:
    cut = stretches(long_song(n_bars).analysis)
    shown = [bar for bars in cut if bars is not None for bar in range(bars[0], bars[1] + 1)]
    assert shown == list(range(n_bars + 1))
    assert all(bars is not None and bars[1] - bars[0] < MOST_BARS for bars in cut)
    starts = [bars[0] for bars in cut if bars is not None][1:]
    assert all(bar % 4 == 1 for bar in starts)


def test_a_handout_shows_where_most_moves() -> None:
    analysis = long_song(60).analysis
    edit = Edit("vocal", 100.0, 101.0, -200.0, "", bar=51)
    bars = busiest(analysis, Plan((edit,)))
    assert bars is not None
    assert bars[0] <= 51 <= bars[1]
    assert busiest(lantern(), None) is None


def test_sentences() -> None:
    material = lantern_material()
    assert finding(material.analysis, Plan((), name="still")) == (
        "still: no phrase ends otherwise; 0 places moved"
    )
    assert as_sung(replace(material.analysis, stems={})) == "As sung"
    assert [listed(w) for w in (["1"], ["1", "2"], ["1", "2", "3"])] == [
        "1",
        "1 and 2",
        "1, 2 and 3",
    ]


def test_templates_are_shipped() -> None:
    import retune

    folder = Path(retune.__file__).parent / "comparison" / "exports"
    assert {path.stem for path in (folder / "typ").glob("*.typ")} == {
        *("common", "picture", "slides", "handout", "frame", "sheet", "missing")
    }
    assert len(list((folder / "fonts").glob("*.ttf"))) == 3
