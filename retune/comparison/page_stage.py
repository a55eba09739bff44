"""The presentation view of a comparison page: one phrase large, what sounds in large letters, and
nothing else. Its drawings are those of slides: large text, as wide as a screen."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape

from retune.carriers.changes import Plan
from retune.comparison.endings import PhraseEnding, is_touched, phrase_endings
from retune.comparison.exports.deck import ending_words, phrase_svg
from retune.comparison.html import show
from retune.comparison.page_input import PageInput
from retune.comparison.page_listen import labels, phrase_spans

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
    heard = {span["number"] for span in phrase_spans(page)}
    notes = page.analysis.melody.notes if page.analysis.melody else ()
    sung = heard & {note.phrase for note in notes}
    plans: list[tuple[str, Plan | None]] = [("", None)]
    plans += [(str(k), version.plan) for k, version in enumerate(page.variants)]
    for picture, plan in plans:
        for ending in phrase_endings(page.analysis, plan):
            if ending.number in sung and (plan is None or is_touched(ending, plan)):
                yield _drawing(page, plan, ending, f"s{number}-{picture}-{ending.number}", picture)


def _drawing(
    page: PageInput, plan: Plan | None, ending: PhraseEnding, ident: str, picture: str
) -> str:
    svg = phrase_svg(
        page.analysis, plan, ending.number, height=_ROOM, theme="page", ident=ident
    ).replace(f'class="{ident}"', 'class="large"', 1)
    told = f"Phrase {ending.number}: {ending_words(ending, changed=ending.is_changed)}"
    return (
        f'<div data-phrase="{ending.number}" data-picture="{picture}" data-told="{escape(told)}" '
        f"hidden>{svg}</div>"
    )
