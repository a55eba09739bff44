"""Slides that can be edited (Office Open XML, ISO/IEC 29500), each version's sound inside.

The same slides as in PDF (`deck`). Equal input gives equal bytes: the package is packed anew
without times of day.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from importlib.util import find_spec
from typing import Any

from retune.carriers.text import cut_short, for_xml
from retune.comparison.exports.classroom import CAUTIONS
from retune.comparison.exports.deck import slides_of
from retune.comparison.exports.material import (
    ORIGINAL,
    Material,
    label,
    need,
    origin,
    provenance,
    software,
)
from retune.comparison.exports.pictures import document_facts, sheets
from retune.comparison.exports.pptx_sound import add_sound
from retune.comparison.exports.slide import (
    HEIGHT,
    INSIDE,
    KEY_NAME,
    MARGIN,
    SMALL_PT,
    WIDTH,
    Box,
    Line,
    Slide,
    head_size,
    key_name,
    text_gap,
    text_size,
)
from retune.comparison.picture_style import THEMES
from retune.comparison.svg import size_of

Clip = Callable[[str, tuple[float, float] | None], bytes | None]
"""A version's name and a span of the song (None for all of it) to an MP3 file, None for none."""
_INKS = {**THEMES["light"], "warn": "#a63d00"}
_FACE = "Georgia"  # a book face that is on most machines
_EMU = 12_700  # English metric units of a point, in which such files measure
_PICTURE_PPI, _PAGE_EDGE = 110.0, 24.0
_TITLE_SLIDE, _HEADED_SLIDE = 0, 5  # layouts of the template that the library brings
_ICON = 24.0
_NO_TIME = datetime(1980, 1, 1)  # the first that a ZIP file can hold


def slides_pptx(material: Material, *, clip: Clip | None = None) -> bytes:
    """A deck of 16:9 (see `deck`). Rights and cautions are in the notes of every slide; the sound
    of each version that is drawn stands beside its name, where `clip` gives it.

    Pictures need Typst; without it there is text alone.

    Raises
    ------
    UsageError
        python-pptx is not installed.
    """
    deck = _empty_deck(need("pptx", extra="slides"))
    _facts(deck.core_properties, material)
    notes = _notes(material)
    for slide in slides_of(material):
        made = _headed(deck, slide, notes)
        if slide.lines:
            _text(made, slide.lines_box, slide.lines, size=text_size(slide), gap=text_gap(slide))
        if slide.svg and find_spec("typst") is not None:
            _picture(made, material, slide)
        _versions(made, slide, clip)
    return _packed(deck)


# --- words -----------------------------------------------------------------------------------


def _notes(material: Material) -> str:
    """What whoever shows a slide must know."""
    rights = f"Rights: {material.rights}" if material.rights else "Rights: not stated"
    made = f"{software()}; {origin(material)}"
    cautions = [f"{word}: {text}" for word, text in CAUTIONS]
    return "\n".join([rights, *_labels(material), *cautions, made])


def _labels(material: Material) -> list[str]:
    """ "Altered with retune: home-early: ...", a line a variant."""
    labels = [label(plan) for plan in material.plans or (None,)]
    return [f"{words[0].upper()}{words[1:]}" for words in labels]


def _facts(properties: Any, material: Material) -> None:
    properties.title = for_xml(cut_short(material.title, 255))
    properties.author = properties.last_modified_by = software()
    # Its fields hold 255 characters; the whole is in the notes.
    properties.comments = for_xml(cut_short(provenance(material, *material.plans), 255))
    properties.keywords = "altered with retune" if material.plans else "unaltered"
    properties.created = properties.modified = _NO_TIME
    properties.revision = 1


# --- slides ----------------------------------------------------------------------------------


def _empty_deck(pptx: Any) -> Any:
    """No slides, 16:9; the template's 4:3 layouts widened to it."""
    deck = pptx.Presentation()
    wider = round(WIDTH * _EMU) / deck.slide_width
    deck.slide_width, deck.slide_height = round(WIDTH * _EMU), round(HEIGHT * _EMU)
    # Layouts first: they inherit from the master what they do not say themselves.
    for sheet in (*deck.slide_layouts, deck.slide_master):
        for shape in sheet.placeholders:
            box = (shape.left * wider, shape.top, shape.width * wider, shape.height)
            shape.left, shape.top, shape.width, shape.height = map(round, box)
    return deck


def _headed(deck: Any, slide: Slide, notes: str) -> Any:
    """A new slide with its heading, the double rule under it, and the notes."""
    layout = _TITLE_SLIDE if slide.kind == "title" else _HEADED_SLIDE
    made = deck.slides.add_slide(deck.slide_layouts[layout])
    for shape in list(made.placeholders):
        if shape != made.shapes.title:
            shape._element.getparent().remove(shape._element)
    title, head = made.shapes.title, slide.head_box
    _put(title, head)
    line = Line("", lead=slide.headline)
    _fill(title.text_frame, [line], size=head_size(slide), gap=0.0)
    for at, weight in ((0.0, 0.75), (3.5, 2.5)):
        _bar(made, Box(MARGIN, head.top + head.height + at, INSIDE, weight), "ink", "Rule")
    made.notes_slide.notes_text_frame.text = for_xml(notes)
    return made


def _bar(made: Any, box: Box, ink: str, name: str) -> None:
    """A thin filled box, which every program draws alike."""
    kind = need("pptx.enum.shapes", extra="slides").MSO_SHAPE.RECTANGLE
    shape = made.shapes.add_shape(kind, *_emu(box))
    shape.fill.solid()
    shape.fill.fore_color.rgb = _colour(ink)
    shape.line.fill.background()
    shape.shadow.inherit = False
    shape.name = name


def _text(made: Any, box: Box, lines: Sequence[Line], *, size: float, gap: float) -> Any:
    shape = made.shapes.add_textbox(*_emu(box))
    _fill(shape.text_frame, lines, size=size, gap=gap)
    return shape


def _fill(frame: Any, lines: Sequence[Line], *, size: float, gap: float) -> None:
    """Each line a paragraph, without margins, from the top."""
    text = need("pptx.enum.text", extra="slides")
    frame.word_wrap, frame.auto_size = True, text.MSO_AUTO_SIZE.NONE
    frame.vertical_anchor = text.MSO_ANCHOR.TOP
    frame.margin_left = frame.margin_right = frame.margin_top = frame.margin_bottom = 0
    for number, line in enumerate(lines):
        paragraph = frame.paragraphs[0] if number == 0 else frame.add_paragraph()
        paragraph.alignment = text.PP_ALIGN.LEFT
        paragraph.space_before, paragraph.space_after = 0, round(gap * _EMU)
        lead = f"△ {line.lead}".strip() if line.ink == "warn" else line.lead
        for words, bold in ((lead, True), (line.text, False)):
            if words:
                _run(paragraph, words if bold or not lead else f" {words}", size, line.ink, bold)


def _run(paragraph: Any, words: str, size: float, ink: str, bold: bool) -> None:
    run = paragraph.add_run()
    run.text = for_xml(words)
    run.font.size, run.font.bold, run.font.name = round(size * _EMU), bold, _FACE
    run.font.color.rgb = _colour(ink)


def _colour(ink: str) -> Any:
    """An ink of the pictures."""
    return need("pptx.dml.color", extra="slides").RGBColor.from_string(_INKS[ink][1:].upper())


def _emu(box: Box) -> tuple[int, int, int, int]:
    left, top, width, height = (round(v * _EMU) for v in (box.left, box.top, box.width, box.height))
    return left, top, width, height


def _put(shape: Any, box: Box) -> None:
    shape.left, shape.top, shape.width, shape.height = _emu(box)


def _versions(made: Any, slide: Slide, clip: Clip | None) -> None:
    """The name of each version that is drawn, in its ink, after its sound and its line."""
    for name, box in zip(slide.versions, slide.key_boxes, strict=True):
        ink = "ink" if name == ORIGINAL else "spot"
        icon = Box(box.left, box.top, _ICON, _ICON)
        sound = clip(name, slide.span_s) if clip is not None else None
        if sound is not None:
            add_sound(made, sound, box=_emu(icon), name=name, ink=_INKS[ink])
        _sample(made, box, ink)
        words = Box(box.left + KEY_NAME, box.top, box.width - KEY_NAME, box.height)
        short = key_name(name)
        line = Line(short, ink) if ink == "ink" else Line("", ink, lead=short)
        _text(made, words, [line], size=SMALL_PT, gap=0.0).text_frame.word_wrap = False


def _sample(made: Any, box: Box, ink: str) -> None:
    """The line that a version is drawn with: what was sung in one, what is changed in dashes."""
    left, right, middle = box.left + _ICON + 6.0, box.left + KEY_NAME - 6.0, box.top + _ICON / 2
    dashes = 1 if ink == "ink" else 2
    each = (right - left - (dashes - 1) * 4.0) / dashes
    for k in range(dashes):
        _bar(made, Box(left + k * (each + 4.0), middle - 2.0, each, 4.0), ink, "Line")


# --- picture and package ---------------------------------------------------------------------


def _picture(made: Any, material: Material, slide: Slide) -> None:
    """The picture of a slide, told to those who do not see it."""
    width, _ = size_of(slide.svg)
    facts = document_facts(material, *material.plans)
    png = sheets([slide.svg], facts, fmt="png", ppi=_PICTURE_PPI)
    box = slide.picture_box
    edge = _PAGE_EDGE / 2 / width * box.width  # the page that is typeset has a margin
    around = Box(box.left - edge, box.top - edge, box.width + 2 * edge, box.height + 2 * edge)
    picture = made.shapes.add_picture(io.BytesIO(png), *_emu(around))
    picture.name = "Picture"
    cut = (edge / around.width, edge / around.height)
    picture.crop_left = picture.crop_right = cut[0]
    picture.crop_top = picture.crop_bottom = cut[1]
    _put(picture, box)
    picture._element.nvPicPr.cNvPr.set("descr", for_xml(slide.alt))  # the library has no name


def _packed(deck: Any) -> bytes:
    """The file, every part of it dated alike, whatever the clock says: the library's own way to
    save dates them by it, and fails where it is before 1980."""
    from pptx.opc.serialized import PackageWriter

    made, of_deck = io.BytesIO(), deck.part.package
    with zipfile.ZipFile(made, "w") as package:
        writer: Any = PackageWriter(made, of_deck._rels, tuple(of_deck.iter_parts()))
        parts = _Parts(package)
        writer._write_content_types_stream(parts)
        writer._write_pkg_rels(parts)
        writer._write_parts(parts)
    return made.getvalue()


@dataclass(frozen=True)
class _Parts:
    """Takes the parts of a deck from the library."""

    package: zipfile.ZipFile

    def write(self, uri: Any, part: bytes) -> None:
        info = zipfile.ZipInfo(uri.membername, _NO_TIME.timetuple()[:6])
        # The facts stay legible: they say that retune made it.
        is_legible = uri.membername == "docProps/core.xml"
        kind = zipfile.ZIP_STORED if is_legible else zipfile.ZIP_DEFLATED
        self.package.writestr(info, part, compress_type=kind)
