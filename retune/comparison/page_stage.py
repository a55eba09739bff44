"""The presentation view of a comparison page: one phrase large, what sounds in large letters, and
nothing else. Its drawings are those of slides: large text, as wide as a screen."""

from __future__ import annotations

from collections.abc import Container, Iterator

from markupsafe import Markup

from retune.carriers.changes import Plan
from retune.carriers.heard import Analysis
from retune.comparison.endings import is_touched, phrase_endings
from retune.comparison.exports.deck import ending_words, phrase_svg
from retune.comparison.html import filled
from retune.comparison.page_input import PageInput
from retune.comparison.page_listen import labels, phrase_spans

LARGE = "large"
_ROOM = 370.0  # points of a slide, between the name of what sounds and those of the versions


def stage(page: PageInput, number: int) -> Markup:
    """The view, hidden until it is asked for: a drawing of each phrase as sung, and of each that a
    variant changes, which takes its place while that sounds. Empty without phrases."""
    drawings = list(_drawings(page, number))
    return filled("stage.html", drawings=drawings, labels=labels(page)) if drawings else Markup()


def _drawings(page: PageInput, number: int) -> Iterator[dict[str, object]]:
    heard = {int(span["number"]) for span in phrase_spans(page)}
    plans: list[tuple[str, Plan | None]] = [("", None)]
    plans += [(str(k), version.plan) for k, version in enumerate(page.variants)]
    for picture, plan in plans:
        drawings = large_drawings(page.analysis, plan, heard, ident=f"s{number}-{picture}")
        for phrase, svg, told in drawings:
            yield {"phrase": phrase, "picture": picture, "svg": svg, "told": told}


def large_drawings(
    analysis: Analysis, plan: Plan | None, phrases: Container[int], *, ident: str
) -> Iterator[tuple[int, str, str]]:
    """Those of the phrases in which something is sung and, by a plan, changed: the number of each,
    its drawing as wide as a screen, in the class `LARGE`, and what is told of its ending."""
    sung = {note.phrase for note in analysis.melody.notes} if analysis.melody else set()
    for ending in phrase_endings(analysis, plan):
        n = ending.number
        if n not in phrases or n not in sung or (plan is not None and not is_touched(ending, plan)):
            continue
        name = f"{ident}-{n}"
        svg = phrase_svg(analysis, plan, n, height=_ROOM, theme="page", ident=name)
        told = f"Phrase {n}: {ending_words(ending, changed=ending.is_changed)}"
        yield n, svg.replace(f'class="{name}"', f'class="{LARGE}"', 1), told
