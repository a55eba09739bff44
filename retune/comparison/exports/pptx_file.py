"""Slides that can be edited (Office Open XML, ISO/IEC 29500): one a phrase, with its picture.

Equal input gives equal bytes: the package is packed anew without times of day.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from importlib.util import find_spec
from typing import Any

from retune.carriers.changes import Plan
from retune.carriers.heard import Analysis, Chord, Phrase
from retune.carriers.text import cut_short, for_xml, pretty
from retune.comparison.endings import PhraseEnding, phrase_endings
from retune.comparison.exports.classroom import CAUTIONS, facts_line
from retune.comparison.exports.material import (
    ORIGINAL,
    Material,
    label,
    need,
    origin,
    provenance,
    software,
)
from retune.comparison.exports.pictures import alt_text, document_facts, size_of
from retune.comparison.exports.typesetting import typeset
from retune.comparison.picture import lane_svg
from retune.comparison.picture_style import THEMES
from retune.comparison.picture_words import chord_name, roman_shown, state_words

_WIDTH_IN, _HEIGHT_IN, _MARGIN_IN = 13.333, 7.5, 0.45
_TITLE_PT, _HEADING_PT, _TEXT_PT = 44, 36, 28
_SMALL_PT = 20  # a 28th of the height is 19.3: the least that a class can read
_LINE_IN = 1.3 / 72  # height of a line to a point of its text
_TOP_IN, _HEADING_IN, _TITLE_IN, _GAP_IN = (
    0.25,
    3.3,
    0.65,
    0.1,
)  # the heading stands beside the text
_FEW = 8  # phrases of a song that are all shown
_VERSIONS_A_SLIDE = 2  # beside the original; their picture needs the rest of the room
_LINE_CHARACTERS, _LARGE_LINE_CHARACTERS = 60, 42  # of small and of large text
_LINES_A_SLIDE, _MOST_OF_A_RULE = 18, 1000
_PICTURE_WIDTH, _PICTURE_FONT, _PICTURE_PPI, _PAGE_EDGE = 1790.0, 39.0, 72.0, 24.0
_TITLE_SLIDE, _HEADED_SLIDE = 0, 5  # layouts of the template that the library brings
_NO_TIME = datetime(1980, 1, 1)  # the first that a ZIP file can hold


@dataclass(frozen=True)
class _Page:
    """One slide about a phrase: its lines of text, and the version that is drawn."""

    heading: str
    lines: tuple[str, ...]
    phrase: Phrase
    plan: Plan | None


def slides_pptx(material: Material) -> bytes:
    """A deck of 16:9: title, a slide for each phrase whose ending a variant changes (for every
    phrase where there are few), the rules. Rights and cautions are in the notes of every slide.

    Pictures need Typst; without it there is text alone.

    Raises
    ------
    UsageError
        python-pptx is not installed.
    """
    deck = _empty_deck(need("pptx", extra="slides"))
    _facts(deck.core_properties, material)
    notes = _notes(material)
    _opening(deck, material, notes)
    for page in _pages(material):
        _phrase_slide(deck, material, page, notes)
    for lines in _rule_pages(material.plans):
        slide = _headed(deck, "Rules", notes)
        _text(slide, lines, points=_SMALL_PT, height_in=_HEIGHT_IN - 2 * _TOP_IN)
    return _packed(deck)


# --- words -----------------------------------------------------------------------------------


def ending_line(version: str, sung: str | None, chord: Chord | None, state: str) -> str:
    """ "original: 2 over I, open"; `sung` is the degree, or the note where no key is known."""
    beneath = "" if chord is None else roman_shown(chord) or chord_name(chord)
    shown = pretty(sung or "")
    place = f"{shown} over {beneath}" if shown and beneath else shown
    return f"{cut_short(version)}: {', '.join(filter(None, (place, state)))}"


def _as_sung(ending: PhraseEnding) -> str:
    name = ending.note.name if ending.note is not None else None
    return ending_line(ORIGINAL, ending.degree or name, ending.chord, state_words(ending.state))


def _after(name: str, ending: PhraseEnding) -> str:
    sung = ending.degree, ending.note.name if ending.note is not None else None
    degree, note = (ending.degree_after, ending.name_after) if ending.is_moved else sung
    return ending_line(name, degree or note, ending.chord_after, ending.words_after)


def _pages(material: Material) -> Iterator[_Page]:
    """The slides of the phrases; a phrase that many variants change has several."""
    after = [(plan, phrase_endings(material.analysis, plan)) for plan in material.plans]
    sung = phrase_endings(material.analysis)
    changes = [[(plan, ends[k]) for plan, ends in after if ends[k].is_changed]
               for k in range(len(sung))]  # fmt: skip
    shows_all = len(sung) <= _FEW or not any(changes)
    for ending, changed in zip(sung, changes, strict=True):
        if changed or shows_all:
            yield from _pages_of(ending, changed)


def _pages_of(
    ending: PhraseEnding, changed: Sequence[tuple[Plan, PhraseEnding]]
) -> Iterator[_Page]:
    heading = f"Phrase {ending.number}"
    if not changed:
        yield _Page(heading, (_as_sung(ending),), ending.phrase, None)
    for at in range(0, len(changed), _VERSIONS_A_SLIDE):
        some = changed[at : at + _VERSIONS_A_SLIDE]
        lines = (_as_sung(ending), *(_after(plan.name, end) for plan, end in some))
        yield _Page(
            heading + (f" ({at // _VERSIONS_A_SLIDE + 1})" if at else ""),
            lines,
            ending.phrase,
            some[0][0],
        )


def _rule_pages(plans: Sequence[Plan]) -> Iterator[list[str]]:
    """Each variant with its rules, on as many slides as they need."""
    page: list[str] = []
    room = _LINES_A_SLIDE
    for line in (f"{cut_short(plan.name)}: {rule}" for plan in plans for rule in plan.rules):
        shown = cut_short(line, _MOST_OF_A_RULE)
        lines = -(-len(shown) // _LINE_CHARACTERS)
        if page and lines > room:
            yield page
            page, room = [], _LINES_A_SLIDE
        page.append(shown)
        room -= lines
    if page:
        yield page


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


# --- slides ----------------------------------------------------------------------------------


def _empty_deck(pptx: Any) -> Any:
    """No slides, 16:9; the template's 4:3 layouts widened to it."""
    deck = pptx.Presentation()
    wider = _emu(_WIDTH_IN) / deck.slide_width
    deck.slide_width, deck.slide_height = _emu(_WIDTH_IN), _emu(_HEIGHT_IN)
    # Layouts first: they inherit from the master what they do not say themselves.
    for sheet in (*deck.slide_layouts, deck.slide_master):
        for shape in sheet.placeholders:
            box = (shape.left * wider, shape.top, shape.width * wider, shape.height)
            shape.left, shape.top, shape.width, shape.height = map(round, box)
    return deck


def _facts(properties: Any, material: Material) -> None:
    properties.title = for_xml(cut_short(material.title, 255))
    properties.author = properties.last_modified_by = software()
    # Its fields hold 255 characters; the whole is in the notes.
    properties.comments = for_xml(cut_short(provenance(material, *material.plans), 255))
    properties.keywords = "altered with retune" if material.plans else "unaltered"
    properties.created = properties.modified = _NO_TIME
    properties.revision = 1


def _opening(deck: Any, material: Material, notes: str) -> None:
    slide = deck.slides.add_slide(deck.slide_layouts[_TITLE_SLIDE])
    _fill(slide.shapes.title.text_frame, [cut_short(material.title, 70)], points=_TITLE_PT)
    caveats = dict.fromkeys(plan.caveat for plan in material.plans if plan.caveat)
    altered = "altered with retune" if material.plans else "unaltered"
    lines = [facts_line(material.analysis), cut_short(material.rights, 200), altered, *caveats]
    _fill(slide.placeholders[1].text_frame, list(filter(None, lines)), points=_SMALL_PT)
    slide.notes_slide.notes_text_frame.text = for_xml(notes)


def _phrase_slide(deck: Any, material: Material, page: _Page, notes: str) -> None:
    slide = _headed(deck, page.heading, notes)
    n_lines = sum(-(-len(line) // _LARGE_LINE_CHARACTERS) for line in page.lines)
    height_in = n_lines * _TEXT_PT * _LINE_IN + 0.1
    box = _text(slide, page.lines, points=_TEXT_PT, height_in=height_in)
    if page.plan is not None:  # the line of the version that is drawn, in its ink
        _ink(box.text_frame.paragraphs[1], "spot")
    drawn = _picture(material, page)
    if drawn is None:
        return
    png, width, height, words = drawn
    top_in = _TOP_IN + max(height_in, _TITLE_IN) + _GAP_IN
    room = (_WIDTH_IN - 2 * _MARGIN_IN, _HEIGHT_IN - top_in - _GAP_IN)
    scale = min(room[0] / width, room[1] / height)
    picture = slide.shapes.add_picture(
        io.BytesIO(png),
        _emu((_WIDTH_IN - scale * width) / 2),
        _emu(top_in),
        _emu(scale * width),
        _emu(scale * height),
    )
    picture.name = f"Picture of {page.heading}"
    picture._element.nvPicPr.cNvPr.set("descr", for_xml(words))  # the library has no name for it


def _headed(deck: Any, heading: str, notes: str) -> Any:
    slide = deck.slides.add_slide(deck.slide_layouts[_HEADED_SLIDE])
    title = slide.shapes.title
    title.left, title.top = _emu(_MARGIN_IN), _emu(_TOP_IN)
    title.width, title.height = _emu(_HEADING_IN), _emu(_TITLE_IN)
    _fill(title.text_frame, [heading], points=_HEADING_PT)
    title.text_frame.paragraphs[0].alignment = need("pptx.enum.text", extra="slides").PP_ALIGN.LEFT
    slide.notes_slide.notes_text_frame.text = for_xml(notes)
    return slide


def _text(slide: Any, lines: Sequence[str], *, points: int, height_in: float) -> Any:
    left_in = _MARGIN_IN + _HEADING_IN
    box = slide.shapes.add_textbox(
        *(_emu(left_in), _emu(_TOP_IN)), _emu(_WIDTH_IN - _MARGIN_IN - left_in), _emu(height_in)
    )
    box.text_frame.word_wrap = True
    _fill(box.text_frame, lines, points=points)
    return box


def _fill(frame: Any, lines: Sequence[str], *, points: int) -> None:
    """Each line a paragraph, in text of that size."""
    for number, line in enumerate(lines):
        paragraph = frame.paragraphs[0] if number == 0 else frame.add_paragraph()
        run = paragraph.add_run()
        run.text = for_xml(line)
        run.font.size = round(points * 12_700)
        _ink(paragraph, "ink")


def _ink(paragraph: Any, name: str) -> None:
    """Give text an ink of the pictures."""
    colour = need("pptx.dml.color", extra="slides").RGBColor
    for run in paragraph.runs:
        run.font.color.rgb = colour.from_string(THEMES["light"][name].lstrip("#").upper())


def _emu(inches: float) -> int:
    """English metric units, in which such files measure."""
    return round(inches * 914_400)


# --- picture and package ---------------------------------------------------------------------


def _picture(material: Material, page: _Page) -> tuple[bytes, float, float, str] | None:
    """The phrase as PNG with its size and its words; None without Typst or bars."""
    bars = _bars(material.analysis, page.phrase)
    if bars is None or find_spec("typst") is None:
        return None
    svg = lane_svg(
        material.analysis,
        page.plan,
        width=_PICTURE_WIDTH,
        font=_PICTURE_FONT,
        bars=bars,
        embed_fonts=False,
        key=False,
        ident="slide",
    )
    width, height = size_of(svg)
    facts = {**document_facts(material, page.plan), "alt": alt_text(svg)}
    data = {**facts, "width": width, "height": height}
    png = typeset("picture", data, svgs={"picture.svg": svg}, fmt="png", ppi=_PICTURE_PPI)
    return png, width + _PAGE_EDGE, height + _PAGE_EDGE, alt_text(svg)


def _bars(analysis: Analysis, phrase: Phrase) -> tuple[int, int] | None:
    """First and last bar of a phrase."""
    notes = analysis.melody.notes if analysis.melody else ()
    bars = [note.bar for note in notes if note.phrase == phrase.index and note.bar is not None]
    return (min(bars), max(bars)) if bars else None


def _packed(deck: Any) -> bytes:
    """The file, every part of it dated alike."""
    written, made = io.BytesIO(), io.BytesIO()
    deck.save(written)
    with zipfile.ZipFile(written) as parts, zipfile.ZipFile(made, "w") as package:
        for name in parts.namelist():
            info = zipfile.ZipInfo(name, _NO_TIME.timetuple()[:6])
            package.writestr(info, parts.read(name), compress_type=zipfile.ZIP_DEFLATED)
    return made.getvalue()
