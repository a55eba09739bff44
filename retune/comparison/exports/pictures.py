"""The lane picture as a file: SVG, PNG (for a slide or a page), PDF (vectors, fonts inside)."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from html import escape
from typing import Any, Literal

from retune.carriers.changes import Plan
from retune.carriers.text import for_xml
from retune.comparison.exports.material import (
    Material,
    label,
    origin,
    provenance,
    software,
)
from retune.comparison.exports.typesetting import png_with_text, typeset
from retune.comparison.ladder import ladder_svg
from retune.comparison.ladder_layout import in_pages, ladder_rows
from retune.comparison.picture import View, lane_svg
from retune.comparison.svg import size_of

PNG_SCALE = 2.0
_PAGE_ROWS = 16  # of a ladder, about as high as a sheet of paper that is as wide
_DESC = re.compile(r"<desc[^>]*>(.*?)</desc>", re.DOTALL)


def picture_svg(material: Material, plan: Plan | None) -> str:
    """One version's picture, fonts inside, with its origin as Dublin Core metadata."""
    svg = lane_svg(
        material.analysis,
        plan,
        View(
            title=title_of(material, plan),
            tension=material.curve(plan),
            systems=None,
            ident="retune-picture",
        ),
    )
    return with_metadata(svg, material, plan)


def picture_png(material: Material, plan: Plan | None) -> bytes:
    """One version's picture, two pixels to each of the SVG's, its origin in text chunks."""
    svg = _drawn(material, plan)
    png = sheets([svg], document_facts(material, plan), fmt="png", ppi=72 * PNG_SCALE)
    return png_with_text(png, _chunks(svg, material, plan))


def sheets(
    svgs: Sequence[str],
    facts: Mapping[str, Any],
    *,
    fmt: Literal["pdf", "png"] = "pdf",
    ppi: float = 144.0,
) -> bytes:
    """Pictures as pages of their own sizes, a margin around each."""
    named = {f"picture-{number}.svg": svg for number, svg in enumerate(svgs)}
    pages = []
    for file, svg in named.items():
        width, height = size_of(svg)
        pages.append({"file": file, "width": width, "height": height, "alt": alt_text(svg)})
    return typeset("picture", {**facts, "sheets": pages}, svgs=named, fmt=fmt, ppi=ppi)


def _chunks(svg: str, material: Material, plan: Plan | None) -> dict[str, str]:
    return {
        "Title": title_of(material, plan),
        "Description": alt_text(svg),
        "Copyright": material.rights,
        "Software": software(),
        "Source": origin(material),
        "Comment": label(plan),
    }


def picture_pdf(material: Material, plan: Plan | None) -> bytes:
    """One version's picture as a page of its own size."""
    return sheets([_drawn(material, plan)], document_facts(material, plan))


def ladder_file(material: Material, plan: Plan | None, *, fmt: str) -> str | bytes:
    """The ladder of endings of one version as "svg", "png" or "pdf", with its origin inside; as
    PDF on as many pages, no longer than a sheet of paper, as a long song needs."""
    facts = document_facts(material, plan)
    if fmt == "pdf":
        pages = in_pages(ladder_rows(material.analysis, plan), most=_PAGE_ROWS)
        drawn = [_ladder(material, plan, page, pages) for page in pages]
        return sheets(drawn, facts)
    svg = _ladder(material, plan, embed_fonts=fmt == "svg")
    if fmt == "svg":
        return with_metadata(svg, material, plan)
    png = sheets([svg], facts, fmt="png", ppi=72 * PNG_SCALE)
    return png_with_text(png, _chunks(svg, material, plan))


def _ladder(
    material: Material,
    plan: Plan | None,
    page: Sequence[int] | None = None,
    pages: Sequence[Sequence[int]] = (),
    *,
    embed_fonts: bool = False,
) -> str:
    counted = f" ({pages.index(page) + 1} of {len(pages)})" if page and len(pages) > 1 else ""
    return ladder_svg(
        material.analysis,
        plan,
        title=f"{title_of(material, plan)}: the ladder of endings{counted}",
        phrases=page,
        embed_fonts=embed_fonts,
        ident="retune-ladder",
    )


def _drawn(material: Material, plan: Plan | None) -> str:
    return lane_svg(
        material.analysis,
        plan,
        View(
            title=title_of(material, plan),
            tension=material.curve(plan),
            systems=None,
            embed_fonts=False,
            ident="retune-picture",
        ),
    )


def document_facts(material: Material, *plans: Plan | None) -> dict[str, Any]:
    """What every document says about itself."""
    return {
        "title": material.title,
        "software": software(),
        "provenance": provenance(material, *plans),
        "keywords": ["altered with retune"] if any(plans) else ["unaltered"],
    }


def title_of(material: Material, plan: Plan | None) -> str:
    """The heading of a picture: the song, and the variant where there is one."""
    return material.title if plan is None else f"{material.title}: {plan.name}"


def alt_text(svg: str) -> str:
    """The picture told in words, from its own description."""
    from html import unescape

    match = _DESC.search(svg)
    return unescape(match[1]) if match else ""


def with_metadata(svg: str, material: Material, plan: Plan | None) -> str:
    """The picture with RDF metadata in Dublin Core terms after its description."""
    facts = {
        "title": title_of(material, plan),
        "creator": software(),
        "source": origin(material),
        "description": label(plan),
        "rights": material.rights,
    }
    words = "".join(
        f"<dc:{name}>{escape(for_xml(text))}</dc:{name}>" for name, text in facts.items() if text
    )
    block = (
        '<metadata><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#" '
        'xmlns:dc="http://purl.org/dc/elements/1.1/">'
        f'<rdf:Description rdf:about="">{words}</rdf:Description></rdf:RDF></metadata>'
    )
    return svg.replace("</desc>", f"</desc>\n{block}", 1)
