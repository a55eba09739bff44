"""The presentation view of a comparison page: one phrase large, what sounds in large letters, and
nothing else. Its drawings are those of slides: large text, as wide as a screen."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape

from retune.carriers.changes import Plan
from retune.carriers.heard import Analysis
from retune.comparison.endings import is_touched, phrase_endings
from retune.comparison.exports.deck import ending_words, phrase_svg
from retune.comparison.html import show
from retune.comparison.page_input import PageInput
from retune.comparison.page_listen import labels, phrase_spans

LARGE = "large"
_ROOM = 370.0  # points of a slide, between the name of what sounds and those of the versions


def stage(page: PageInput, number: int) -> str:
    """The view, hidden until it is asked for: a drawing of each phrase as sung, and of each that a
    variant changes, which takes its place while that sounds. Empty without phrases."""
    drawn = "".join(_drawings(page, number))
    if not drawn:
        return ""
    names = "".join(
        f'<li><button type="button" class="plain" data-stage="{k}"><b>{k + 1}</b> {show(label)}'
        "</button></li>"
        for k, label in enumerate(labels(page))
    )
    return (
        '<div class="stage noprint" hidden><div class="sounding">'
        '<p class="sounds" role="heading" aria-level="1"></p>'
        f'<p class="told"></p></div><div class="drawn">{drawn}</div>'
        f'<ol class="choices">{names}</ol></div>'
    )


def _drawings(page: PageInput, number: int) -> Iterator[str]:
    heard = [int(span["number"]) for span in phrase_spans(page)]
    plans: list[tuple[str, Plan | None]] = [("", None)]
    plans += [(str(k), version.plan) for k, version in enumerate(page.variants)]
    for picture, plan in plans:
        for phrase in heard:
            ident = f"s{number}-{picture}-{phrase}"
            svg, told = large_drawing(page.analysis, plan, phrase, ident=ident)
            if svg:
                yield (
                    f'<div data-phrase="{phrase}" data-picture="{picture}" '
                    f'data-told="{escape(told)}" hidden>{svg}</div>'
                )


def large_drawing(
    analysis: Analysis, plan: Plan | None, number: int, *, ident: str
) -> tuple[str, str]:
    """One phrase as wide as a screen, in the class `LARGE`, and what is told of its ending; both
    empty where nothing is sung in it, or a plan changes nothing."""
    notes = analysis.melody.notes if analysis.melody else ()
    endings = phrase_endings(analysis, plan) if any(n.phrase == number for n in notes) else ()
    ending = next((one for one in endings if one.number == number), None)
    if ending is None or (plan is not None and not is_touched(ending, plan)):
        return "", ""
    svg = phrase_svg(analysis, plan, number, height=_ROOM, theme="page", ident=ident)
    told = f"Phrase {number}: {ending_words(ending, changed=ending.is_changed)}"
    return svg.replace(f'class="{ident}"', f'class="{LARGE}"', 1), told
