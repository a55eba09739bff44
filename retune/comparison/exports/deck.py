"""What stands on the slides of a lecture, and where: one phrase a slide, the whole song only as the
ladder of endings. Both writers of slides (PDF, Office Open XML) set the same.

Measured in points of a page of 960 by 540. No text is smaller than a 28th of its height, so that
the last row of a hall reads it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from retune.carriers.changes import Plan
from retune.carriers.heard import Analysis
from retune.carriers.text import cut_short, pretty
from retune.comparison.consequence_words import told
from retune.comparison.endings import PhraseEnding, phrase_endings
from retune.comparison.estimated import chords_told, key_told, with_doubt
from retune.comparison.exports.classroom import CAUTIONS, as_sung, facts_line, finding
from retune.comparison.exports.material import ORIGINAL, Material
from retune.comparison.exports.pictures import alt_text, size_of
from retune.comparison.ladder import ladder_svg
from retune.comparison.ladder_layout import BRIEF_ROW, HEAD, ladder_rows
from retune.comparison.picture import View, lane_svg
from retune.comparison.picture_style import text_width
from retune.comparison.picture_words import (
    cadence_words,
    chord_name,
    over_words,
    roman_shown,
    section_names,
    state_words,
)

WIDTH, HEIGHT, MARGIN = 960.0, 540.0, 24.0
INSIDE = WIDTH - 2 * MARGIN
LEAST_PT = HEIGHT / 28
TITLE_PT, HEAD_PT, TEXT_PT, SMALL_PT = 44.0, 28.0, 22.0, 20.0
LINE = 1.3  # of the size of text, from line to line
KEY_WIDTH, KEY_HEIGHT = 250.0, 28.0  # what a line of the picture means
KEY_SIGNS = 22  # of the name of a version there
_HEAD_TOP, _TITLE_TOP, _GAP = 12.0, 40.0, 8.0
RULE = 8.0  # height of the double rule under a heading
_WIDER = 1.15  # another face than ours may be wider by so much
DRAWN_FONT = 30.0
_DRAWN_WIDTH = DRAWN_FONT * INSIDE / (LEAST_PT / 0.84)  # its smaller text is .84 of the font
_MOST_PHRASES, _MOST_LINES, _MOST_LADDERS, _MOST_VARIANTS = 8, 3, 4, 5
_RULE_LINES = 11


@dataclass(frozen=True)
class Line:
    """One paragraph; `ink` is "ink", "spot" (what is changed) or "warn" (a clash)."""

    text: str
    ink: str = "ink"
    lead: str = ""
    """Words before the text, bold."""


@dataclass(frozen=True)
class Box:
    """A place on a slide, in points."""

    left: float
    top: float
    width: float
    height: float


@dataclass(frozen=True)
class Slide:
    """One slide. `svg` is its picture, `versions` what is drawn in it and can be heard: `span_s` of
    each, the whole song where that is None. `kind` is "title", "picture" or "text"."""

    kind: str
    headline: str
    lines: tuple[Line, ...] = ()
    svg: str = ""
    versions: tuple[str, ...] = ()
    span_s: tuple[float, float] | None = None

    @property
    def alt(self) -> str:
        """The picture told in words."""
        return alt_text(self.svg) if self.svg else ""

    @property
    def head_box(self) -> Box:
        top = _TITLE_TOP if self.kind == "title" else _HEAD_TOP
        return Box(MARGIN, top, INSIDE, _height(self.headline, head_size(self), INSIDE))

    @property
    def lines_box(self) -> Box:
        top = self.head_box.top + self.head_box.height + RULE + _GAP
        if self.kind != "picture":
            return Box(MARGIN, top, INSIDE, HEIGHT - top - _GAP)
        if not self.lines:
            return Box(MARGIN, top, INSIDE, KEY_HEIGHT)
        width = INSIDE - KEY_WIDTH - MARGIN
        tall = max(_lines_height(self.lines, width), len(self.versions) * KEY_HEIGHT)
        return Box(MARGIN, top, width, tall)

    @property
    def key_boxes(self) -> list[Box]:
        """A place for each version: beside the text, or side by side where there is none."""
        top, right = self.lines_box.top, WIDTH - MARGIN - KEY_WIDTH
        if not self.lines:
            lefts = (MARGIN + k * (KEY_WIDTH + MARGIN) for k in range(len(self.versions)))
            return [Box(left, top, KEY_WIDTH, KEY_HEIGHT) for left in lefts]
        return [
            Box(right, top + k * KEY_HEIGHT, KEY_WIDTH, KEY_HEIGHT)
            for k in range(len(self.versions))
        ]

    @property
    def picture_box(self) -> Box:
        """The place of the picture, in its own proportions."""
        text = self.lines_box
        top = text.top + text.height + _GAP
        wide, high = size_of(self.svg)
        scale = min(INSIDE / wide, (HEIGHT - top - _GAP) / high)
        left = MARGIN + (INSIDE - scale * wide) / 2
        return Box(left, top, scale * wide, scale * high)


def head_size(slide: Slide) -> float:
    """Size of the heading of a slide."""
    return TITLE_PT if slide.kind == "title" else HEAD_PT


def text_size(slide: Slide) -> float:
    """Size of the paragraphs of a slide."""
    return SMALL_PT if slide.kind == "title" else TEXT_PT


def text_gap(slide: Slide) -> float:
    """What is left free between two paragraphs."""
    return 0.0 if slide.kind == "picture" else 8.0


def _height(text: str, size: float, width: float, *, bold: bool = True) -> float:
    """How high a paragraph becomes that is broken between words."""
    wide = text_width(text, size, bold=bold) * _WIDER
    return max(math.ceil(wide / (width - size)), 1) * size * LINE


def _lines_height(lines: Sequence[Line], width: float) -> float:
    return sum(_height(f"{line.lead} {line.text}", TEXT_PT, width, bold=False) for line in lines)


# --- the deck --------------------------------------------------------------------------------


def slides_of(material: Material) -> list[Slide]:
    """Title; the endings as sung; for each variant the phrases that it changes, and its endings
    beside those sung; the rules; cautions."""
    slides = [_title(material), *_ladders(material, None)]
    if not material.plans:
        slides += (_phrase(material, e, None) for e in _shown(material.analysis, None))
    for plan in material.plans:
        slides += (_phrase(material, e, plan) for e in _shown(material.analysis, plan))
        slides += _ladders(material, plan)
    slides += _rules(material.plans)
    cautions = tuple(Line(text, lead=f"{word}:") for word, text in CAUTIONS)
    return [*slides, Slide("text", "Before you draw conclusions", cautions)]


def _title(material: Material) -> Slide:
    chords = chords_told(material.analysis)
    lines = [Line(with_doubt(facts_line(material.analysis), chords and f"chords {chords}"))]
    shown = material.plans[:_MOST_VARIANTS]
    lines += [
        Line(cut_short(pretty(material.about(plan)), 110), lead=f"{cut_short(plan.name)}:")
        for plan in shown
    ]
    over = len(material.plans) - len(shown)
    lines += [Line(f"and {over} more")] if over else []
    rights = cut_short(material.rights, 160)
    lines += [Line(rights)] if rights else []
    caveats = list(dict.fromkeys(plan.caveat for plan in material.plans if plan.caveat))
    label = "Altered with retune" if material.plans else "Unaltered"
    lines.append(Line(", ".join([label, *caveats]) + "."))
    return Slide("title", cut_short(material.title, 70), tuple(lines))


def _versions(plan: Plan | None) -> tuple[str, ...]:
    """What is drawn where a plan is shown."""
    return (ORIGINAL,) if plan is None else (ORIGINAL, plan.name)


def _doubts(analysis: Analysis, plan: Plan | None) -> list[Line]:
    """What must be said wherever found facts or a mix are shown."""
    found = [
        name
        for name, words in (("key", key_told(analysis)), ("chords", chords_told(analysis)))
        if words
    ]
    said = [f"{' and '.join(found)} estimated"] if found else []
    said += [plan.caveat] if plan is not None and plan.caveat else []
    words = "; ".join(said)
    return [Line(f"{words[0].upper()}{words[1:]}.")] if words else []


def _shown(analysis: Analysis, plan: Plan | None) -> list[PhraseEnding]:
    """The phrases with a slide of their own: whose endings change, else in which notes move."""
    notes = analysis.melody.notes if analysis.melody else ()
    sung = {note.phrase for note in notes}
    endings = [e for e in phrase_endings(analysis, plan) if e.number in sung]
    if plan is None:
        return endings[:_MOST_PHRASES]
    touched = {edit.phrase for edit in plan.edits}
    changed = [e for e in endings if e.is_changed]
    return (changed or [e for e in endings if e.number in touched])[:_MOST_PHRASES]


def _phrase(material: Material, ending: PhraseEnding, plan: Plan | None) -> Slide:
    """A slide about one phrase, as sung or with what a variant moves in it."""
    analysis = material.analysis
    where = "" if plan is None else f" in {cut_short(plan.name, 30)}"
    headline = f"Phrase {ending.number}{where}: {ending_words(ending, changed=ending.is_changed)}"
    lines = [_sung(analysis, ending)]
    if plan is not None and not ending.is_changed:
        headline, lines = f"{headline}, ends as sung", []
    lines += _following(ending, plan)
    draft = Slide(
        "picture",
        headline,
        (*lines[:_MOST_LINES], *_doubts(analysis, plan)),
        versions=_versions(plan),
        span_s=_span(analysis, ending, plan),
    )
    text = draft.lines_box
    room = HEIGHT - text.top - text.height - 2 * _GAP
    svg = phrase_svg(analysis, plan, ending.number, height=room)
    return replace(draft, svg=svg)


def phrase_svg(
    analysis: Analysis,
    plan: Plan | None,
    phrase: int,
    *,
    height: float,
    theme: str = "light",
    ident: str = "slide",
) -> str:
    """One phrase large, for a place as wide as a slide and `height` points high."""
    return lane_svg(
        analysis,
        plan,
        View(
            width=_DRAWN_WIDTH,
            font=DRAWN_FONT,
            phrase=phrase,
            height=height * _DRAWN_WIDTH / INSIDE,
            key=False,
            theme=theme,
            embed_fonts=False,
            ident=ident,
        ),
    )


def ending_words(ending: PhraseEnding, *, changed: bool) -> str:
    """How a phrase ends, as sung or as a variant has it: "2 over V, open"."""
    return _moved(ending) if changed else _place(ending)


def _place(ending: PhraseEnding) -> str:
    """ "2 over V, open"; the note where no degree is known."""
    name = ending.note.name if ending.note is not None else ""
    shown = pretty(ending.degree or name)
    chord = ending.chord
    beneath = roman_shown(chord) or chord_name(chord) if chord is not None else ""
    place = f"{shown} over {beneath}" if shown and beneath else shown
    return ", ".join(filter(None, (place, state_words(ending.state))))


def _moved(ending: PhraseEnding) -> str:
    """ "2 → 1 over V, still open"; "2 over I, at rest" where the harmony alone moves."""
    note = ending.note.name if ending.note is not None else ""
    move = ending.move_words if ending.is_moved else ending.degree or note
    move = move or f"{note} → {ending.name_after or ''}"
    known = ending.chord_after is not None or ending.has_new_chord
    over = over_words(ending) if known else ""
    words = ending.words_after
    parts = [f"{pretty(move)} {over}".strip(), words if words != over else ""]
    return ", ".join(filter(None, parts))


def _sung(analysis: Analysis, ending: PhraseEnding) -> Line:
    """ "As sung: 2 over V, open; verse 2, half cadence"."""
    at_s = ending.phrase.start_s + 1e-3
    names = zip(section_names(analysis.sections), analysis.sections, strict=True)
    section = next((name for name, s in names if s.start_s <= at_s < s.end_s), "")
    aside = ", ".join(filter(None, (section, cadence_words(ending.phrase.cadence))))
    return Line(_place(ending) + (f" ({aside})" if aside else ""), lead="As sung:")


def _following(ending: PhraseEnding, plan: Plan | None) -> list[Line]:
    """What follows from a plan in one phrase, clashes first."""
    if plan is None:
        return []
    first_s, last_s = ending.phrase.start_s, ending.phrase.end_s
    last_s = max(last_s, ending.note.end_s if ending.note is not None else last_s)
    here = [c for c in plan.consequences if first_s - 0.05 <= c.at_s < last_s]
    return [
        Line(cut_short(one.text, 130), ink="warn" if one.is_clash else "ink") for one in told(here)
    ]


def _span(analysis: Analysis, ending: PhraseEnding, plan: Plan | None) -> tuple[float, float]:
    """From when to when a slide about a phrase sounds: a little more than the phrase."""
    own = [e.span_after for e in (plan.edits if plan else ()) if e.phrase == ending.number]
    last_s = ending.note.end_s if ending.note is not None else ending.phrase.end_s
    first = min([ending.phrase.start_s, *(start for start, _ in own)])
    last = max([ending.phrase.end_s, last_s, *(end for _, end in own)])
    return max(first - 0.1, 0.0), min(last + 0.4, analysis.duration_s)


# --- ladders, rules --------------------------------------------------------------------------


def _ladders(material: Material, plan: Plan | None) -> Iterator[Slide]:
    """The endings of the whole song, on as many slides as their rows need; of a long song those
    that a variant changes."""
    analysis = material.analysis
    if analysis.melody is None or not analysis.melody.notes:
        return
    rows = ladder_rows(analysis, plan)
    most = _rungs()
    if plan is not None and len(rows) > most:
        rows = [e for e in rows if e.is_changed]
    pages = -(-len(rows) // most)
    share = -(-len(rows) // max(pages, 1))
    headline = as_sung(analysis) if plan is None else finding(analysis, plan)
    for number in range(min(pages, _MOST_LADDERS)):
        some = [e.number for e in rows[number * share : (number + 1) * share]]
        svg = ladder_svg(
            analysis,
            plan,
            width=_DRAWN_WIDTH,
            font=DRAWN_FONT,
            phrases=some,
            brief=True,
            embed_fonts=False,
            ident="slide",
        )
        counted = f" ({number + 1} of {pages})" if pages > 1 else ""
        shown = _in_one_line(headline, counted)
        yield Slide("picture", shown, svg=svg, versions=_versions(plan))


def _in_one_line(headline: str, end: str) -> str:
    """As much of a heading as one line holds, with its end."""
    most = len(headline)
    while most > 20 and _height(cut_short(headline, most) + end, HEAD_PT, INSIDE) > HEAD_PT * LINE:
        most -= 2
    return cut_short(headline, most) + end


def _rungs() -> int:
    """How many rows of a ladder a slide holds under a heading of one line."""
    bare = Slide("picture", "", versions=(ORIGINAL, ORIGINAL)).lines_box
    room = HEIGHT - bare.top - bare.height - 2 * _GAP
    return int((room * _DRAWN_WIDTH / INSIDE / DRAWN_FONT - HEAD - 0.2) / BRIEF_ROW)


def _rules(plans: Sequence[Plan]) -> Iterator[Slide]:
    """Each variant with its rules, on as many slides as they need."""
    page: list[Line] = []
    room = _RULE_LINES
    for plan in plans:
        for rule in plan.rules:
            line = Line(cut_short(rule, 600), lead=f"{cut_short(plan.name)}:")
            high = _height(f"{line.lead} {line.text}", TEXT_PT, INSIDE, bold=False)
            needed = round(high / (TEXT_PT * LINE))
            if page and needed > room:
                yield Slide("text", "The rules", tuple(page))
                page, room = [], _RULE_LINES
            page.append(line)
            room -= needed
    if page:
        yield Slide("text", "The rules", tuple(page))
