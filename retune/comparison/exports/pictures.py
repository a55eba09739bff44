"""The lane picture as a file: SVG, PNG (for a slide or a page), PDF (vectors, fonts inside)."""

from __future__ import annotations

import re
from html import escape
from typing import Any

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
from retune.comparison.picture import View, lane_svg
from retune.comparison.svg import size_of

PNG_SCALE = 2.0
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
    svg, data = _drawn(material, plan)
    png = typeset("picture", data, svgs={"picture.svg": svg}, fmt="png", ppi=72 * PNG_SCALE)
    return png_with_text(png, _chunks(svg, material, plan))


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
    svg, data = _drawn(material, plan)
    return typeset("picture", data, svgs={"picture.svg": svg})


def ladder_file(material: Material, plan: Plan | None, *, fmt: str) -> str | bytes:
    """The ladder of endings of one version as "svg", "png" or "pdf", with its origin inside."""
    svg = ladder_svg(
        material.analysis,
        plan,
        title=f"{title_of(material, plan)}: the ladder of endings",
        embed_fonts=fmt == "svg",
        ident="retune-ladder",
    )
    if fmt == "svg":
        return with_metadata(svg, material, plan)
    width, height = size_of(svg)
    data = {**document_facts(material, plan), "alt": alt_text(svg)}
    data |= {"width": width, "height": height}
    if fmt == "pdf":
        return typeset("picture", data, svgs={"picture.svg": svg})
    png = typeset("picture", data, svgs={"picture.svg": svg}, fmt="png", ppi=72 * PNG_SCALE)
    return png_with_text(png, _chunks(svg, material, plan))


def _drawn(material: Material, plan: Plan | None) -> tuple[str, dict[str, Any]]:
    svg = lane_svg(
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
    width, height = size_of(svg)
    facts = {**document_facts(material, plan), "alt": alt_text(svg)}
    return svg, {**facts, "width": width, "height": height}


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
