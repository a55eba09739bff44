"""The ladder of endings on a comparison page."""

from __future__ import annotations

from retune.carriers.changes import Plan
from retune.comparison.ladder import ladder_svg
from retune.comparison.ladder_layout import ladder_rows
from retune.comparison.page_input import PageInput
from retune.comparison.page_tables import endings_table
from retune.comparison.picture_style import DRAWINGS


def ladders(page: PageInput, number: int) -> str:
    """The ladder of endings of each variant, and the table that says the same in words."""
    drawn = ""
    if ladder_rows(page.analysis):
        shown: list[tuple[Plan | None, str]] = [(v.plan, v.name) for v in page.variants]
        for place, (plan, name) in enumerate(shown or [(None, "")]):
            hidden = " hidden" if place else ""
            sizes = "".join(
                _ladder(page, plan, name, css=css, ident=f"r{number}-{place}-{css}")
                for css, *_ in DRAWINGS[:3]
            )
            drawn += (
                f'<figure data-ladder="{place}"{hidden}><div class="pic">{sizes}</div></figure>'
            )
    return f"{drawn}<details><summary>As a table</summary>{endings_table(page)}</details>"


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
