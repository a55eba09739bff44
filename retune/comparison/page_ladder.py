"""The ladder of endings on a comparison page."""

from __future__ import annotations

from markupsafe import Markup

from retune.carriers.changes import Plan
from retune.comparison.html import filled
from retune.comparison.ladder import ladder_svg
from retune.comparison.ladder_layout import ladder_rows
from retune.comparison.page_input import PageInput
from retune.comparison.page_tables import endings_table
from retune.comparison.picture_style import DRAWINGS


def ladders(page: PageInput, number: int) -> Markup:
    """The ladder of endings of each variant, and the table that says the same in words."""
    shown: list[tuple[Plan | None, str]] = []
    if ladder_rows(page.analysis):
        shown = [(v.plan, v.name) for v in page.variants] or [(None, "")]
    figures = [
        [
            _ladder(page, plan, name, css=css, ident=f"r{number}-{place}-{css}")
            for css, *_ in DRAWINGS[:3]
        ]
        for place, (plan, name) in enumerate(shown)
    ]
    return filled("ladders.html", figures=figures, table=endings_table(page))


def _ladder(page: PageInput, plan: Plan | None, name: str, *, css: str, ident: str) -> str:
    width, font = next((w, f) for c, w, f, _ in DRAWINGS if c == css)
    svg = ladder_svg(
        page.analysis,
        plan,
        width=width,
        font=font,
        theme="page",
        variant_name=name or None,
        embed_fonts=False,
        ident=ident,
    )
    return svg.replace(f'class="{ident}"', f'class="{css} ladder"', 1)
