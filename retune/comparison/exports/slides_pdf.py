"""The slides of a lecture as PDF, vectors and the project's own face inside."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from retune.comparison.exports.deck import slides_of
from retune.comparison.exports.material import Material
from retune.comparison.exports.pictures import document_facts
from retune.comparison.exports.slide import (
    INSIDE,
    MARGIN,
    RULE,
    SMALL_PT,
    Box,
    Slide,
    head_size,
    key_name,
    text_gap,
    text_size,
)
from retune.comparison.exports.typesetting import typeset


def slides_pdf(material: Material) -> bytes:
    """A deck of 16:9 pages (see `deck`).

    Raises
    ------
    UsageError
        Typst is not installed.
    """
    svgs: dict[str, str] = {}
    slides = [_page(slide, svgs) for slide in slides_of(material)]
    data = {**document_facts(material, *(plan for _, plan in material.versions)), "slides": slides}
    return typeset("slides", data, svgs=svgs)


def _page(slide: Slide, svgs: dict[str, str]) -> dict[str, Any]:
    head = slide.head_box
    page: dict[str, Any] = {
        "headline": slide.headline,
        "head": asdict(head),
        "headsize": head_size(slide),
        "rule": asdict(Box(MARGIN, head.top + head.height, INSIDE, RULE)),
        "lines": [asdict(line) for line in slide.lines],
        "text": asdict(slide.lines_box),
        "size": text_size(slide),
        "gap": text_gap(slide),
        "key": [
            {"name": key_name(name), "box": asdict(box)}
            for name, box in zip(slide.versions, slide.key_boxes, strict=True)
        ],
        "keysize": SMALL_PT,
        "file": "",
    }
    if slide.svg:
        name = f"picture-{len(svgs)}.svg"
        svgs[name] = slide.svg
        page |= {"file": name, "alt": slide.alt, "picture": asdict(slide.picture_box)}
    return page
