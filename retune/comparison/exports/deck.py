"""What stands on the slides of a lecture: one phrase a slide, the whole song only as the
ladder of endings. Both writers of slides (PDF, Office Open XML) set the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from retune.carriers.changes import Plan
from retune.carriers.heard import Analysis
from retune.carriers.text import counted, cut_short, pretty
from retune.comparison.consequence_words import told
from retune.comparison.endings import PhraseEnding, phrase_endings
from retune.comparison.estimated import chords_told, key_told, second_voice_told, with_doubt
from retune.comparison.exports.classroom import CAUTIONS, as_sung, facts_line, finding
from retune.comparison.exports.fitting import cut_to, width_at_most
from retune.comparison.exports.material import ORIGINAL, Material
from retune.comparison.exports.slide import (
    GAP,
    HEAD_PT,
    HEIGHT,
    INSIDE,
    LEAST_PT,
    LONG_LEAD,
    SMALL_PT,
    TEXT_PT,
    TITLE_PT,
    Line,
    Slide,
    line_height,
)
from retune.comparison.ladder import ladder_svg
from retune.comparison.ladder_layout import BRIEF_ROW, HEAD, in_pages, ladder_rows
from retune.comparison.picture import View, lane_svg
from retune.comparison.picture_words import (
    cadence_words,
    chord_name,
    over_words,
    roman_shown,
    section_names,
    state_words,
)

DRAWN_FONT = 30.0
_DRAWN_WIDTH = DRAWN_FONT * INSIDE / (LEAST_PT / 0.84)  # its smaller text is .84 of the font
_MOST_PHRASES, _MOST_LINES, _MOST_LADDERS = 8, 3, 12
_LEAST_NAME = 160.0  # of a variant in a heading, in points


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
    rights = cut_to(material.rights, SMALL_PT, INSIDE, lines=2)
    caveats = list(dict.fromkeys(plan.caveat for plan in material.plans if plan.caveat))
    label = "Altered with retune" if material.plans else "Unaltered"
    end = [Line(rights)] if rights else []
    end.append(Line(", ".join([label, *caveats]) + "."))
    title = cut_to(material.title, TITLE_PT, INSIDE, lines=2, bold=True)
    room = Slide("title", title).lines_box.height
    abouts = _abouts(material, room - _stack([*lines, *end]))
    return Slide("title", title, (*lines, *abouts, *end))


def _abouts(material: Material, room: float) -> list[Line]:
    """A line or two a variant; where there is not room for all, the first and how many more."""
    long = [_about(material, plan, lines=2) for plan in material.plans]
    if _stack(long) <= room:
        return long
    return _as_fit([_about(material, plan, lines=1) for plan in material.plans], room)


def _about(material: Material, plan: Plan, *, lines: int) -> Line:
    name = cut_to(plan.name, SMALL_PT, INSIDE / 2, bold=True)
    told = f"{name}: {pretty(material.about(plan))}"
    told = cut_to(told, SMALL_PT, INSIDE, lines=lines, bold=len(name) > LONG_LEAD)
    return Line(told.removeprefix(f"{name}: "), lead=f"{name}:")


def _stack(lines: Sequence[Line]) -> float:
    """How high the lines of a title become."""
    return sum(line_height(line, SMALL_PT) + GAP for line in lines)


def _as_fit(lines: list[Line], room: float) -> list[Line]:
    """The first lines that find room, and how many more there are."""
    shown = len(lines)
    while shown and _stack([*lines[:shown], *_more(len(lines) - shown)]) > room:
        shown -= 1
    return lines[:shown] + _more(len(lines) - shown)


def _more(over: int) -> list[Line]:
    return [Line(f"and {counted(over, 'more variant')}")] if over else []


def _named(plan: Plan, rest: str) -> str:
    """The name of a variant as one line of a heading holds it beside the rest."""
    room = INSIDE - width_at_most(rest, HEAD_PT, bold=True)
    return cut_to(plan.name, HEAD_PT, max(room, _LEAST_NAME), bold=True)


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
    said += filter(None, [second_voice_told(analysis)])
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
    told = ending_words(ending, changed=ending.is_changed)
    lines = [_sung(analysis, ending)]
    if plan is not None and not ending.is_changed:
        told, lines = f"{told}, ends as sung", []
    where = "" if plan is None else f" in {_named(plan, f'Phrase {ending.number} in : {told}')}"
    headline = f"Phrase {ending.number}{where}: {told}"
    lines += _following(ending, plan)
    draft = Slide(
        "picture",
        headline,
        (*lines[:_MOST_LINES], *_doubts(analysis, plan)),
        versions=_versions(plan),
        span_s=_span(analysis, ending, plan),
    )
    text = draft.lines_box
    room = HEIGHT - text.top - text.height - 2 * GAP
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
    """The endings of the whole song, on as many slides as their rows need; of a variant of a long
    song those that it changes."""
    analysis = material.analysis
    if analysis.melody is None or not analysis.melody.notes:
        return
    rows = ladder_rows(analysis, plan)
    most = _rungs()
    if plan is not None and len(rows) > most:
        rows = [e for e in rows if e.is_changed]
    pages = in_pages(rows, most=most)
    for number, some in enumerate(pages[:_MOST_LADDERS], 1):
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
        is_cut = number == _MOST_LADDERS < len(pages)
        end = f" ({number} of {len(pages)}{'; no more here' if is_cut else ''})"
        shown = _over_ladder(analysis, plan, end if len(pages) > 1 else "")
        yield Slide("picture", shown, svg=svg, versions=_versions(plan))


def _over_ladder(analysis: Analysis, plan: Plan | None, end: str) -> str:
    """How the phrases end; of a variant after as much of its name as leaves room for that."""
    if plan is None:
        return _in_one_line(as_sung(analysis), end)
    rest = finding(analysis, replace(plan, name="")) + end
    return _in_one_line(finding(analysis, replace(plan, name=_named(plan, rest))), end)


def _in_one_line(headline: str, end: str) -> str:
    """As much of a heading as one line holds, with its end."""
    taken = width_at_most(end, HEAD_PT, bold=True)
    return cut_to(headline, HEAD_PT, INSIDE - taken, bold=True) + end


def _rungs() -> int:
    """How many rows of a ladder a slide holds under a heading of one line."""
    bare = Slide("picture", "", versions=(ORIGINAL, ORIGINAL)).lines_box
    room = HEIGHT - bare.top - bare.height - 2 * GAP
    return int((room * _DRAWN_WIDTH / INSIDE / DRAWN_FONT - HEAD - 0.2) / BRIEF_ROW)


def _rules(plans: Sequence[Plan]) -> Iterator[Slide]:
    """Each variant with its rules, on as many slides as they need."""
    page: list[Line] = []
    room = Slide("text", "The rules").lines_box.height
    for plan in plans:
        for rule in plan.rules:
            name = cut_to(plan.name, TEXT_PT, INSIDE / 2, bold=True)
            line = Line(cut_to(rule, TEXT_PT, INSIDE, lines=8), lead=f"{name}:")
            needed = line_height(line, TEXT_PT) + GAP
            if page and needed > room:
                yield Slide("text", "The rules", tuple(page))
                page, room = [], Slide("text", "The rules").lines_box.height
            page.append(line)
            room -= needed
    if page:
        yield Slide("text", "The rules", tuple(page))
