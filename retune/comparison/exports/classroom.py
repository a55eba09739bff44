"""For a class: slides (original, each variant, what changed, a caution) and a one-page handout.

The handout keeps the answers off: endings are lines to write on.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

from retune.carriers.changes import Consequence, Edit, Plan
from retune.carriers.heard import Analysis, Bars
from retune.carriers.text import counted, pretty, tempo_text
from retune.comparison.endings import PhraseEnding, phrase_endings
from retune.comparison.estimated import bars_told, key_told, with_doubt
from retune.comparison.exports.material import Material, origin, software
from retune.comparison.exports.passages import busiest, stretches
from retune.comparison.exports.pictures import alt_text, document_facts, size_of
from retune.comparison.exports.typesetting import typeset
from retune.comparison.ladder import ladder_svg
from retune.comparison.ladder_layout import ladder_rows
from retune.comparison.picture import lane_svg
from retune.song.bartime import bars_of, judged_bar
from retune.song.moved import move_words

_MOST_ROWS, _MOST_CONSEQUENCES = 7, 3
# Which consequences a full slide keeps; kinds not named here give way.
_WEIGHT = {"clash": 4, "early-rest": 3, "new-chord": 3, "leading-tone": 2, "parallel": 1, "leap": 1}
_SLIDE_WIDTH, _SLIDE_FONT = 1840.0, 30.0
_LADDER_ROOM, _MOST_RUNGS = 940.0, 8
_HANDOUT_WIDTH, _HANDOUT_FONT = 1200.0, 18.0
_LADDER_PAGE = 650.0  # points of its own page
_HANDOUT_ROOM = 480.0  # points of an A4 page that the picture may take
CAUTIONS = (
    ("Hearing", "Begin with the volume low, and raise it. No program knows how loud it is here."),
    (
        "What it says",
        "How a phrase ends comes from published models and a given chart. These are aids to "
        "listening, not measurements of what people feel.",
    ),
    (
        "What you hear",
        "A moved note has been through a process and the rest has not. Compare the variant with "
        "the matched control before you speak of the melody.",
    ),
    (
        "Honesty",
        "The altered voice sings what nobody sang. Say so when you play it, and keep the label.",
    ),
)

Slide = dict[str, Any]


# --- slides ----------------------------------------------------------------------------------


def slides_pdf(material: Material) -> bytes:
    """A deck of 16:9 pages: title, original, each variant with what it changes, cautions."""
    svgs: dict[str, str] = {}
    slides: list[Slide] = []
    for version, plan in material.versions:
        slides += _pictures(material, version, plan, svgs)
        if plan is not None:
            slides.append(_changes(material, plan))
    slides += _summing_up(material, svgs)
    cautions = [{"word": word, "text": text} for word, text in CAUTIONS]
    slides.append(
        {"kind": "caution", "headline": "Before you draw conclusions", "points": cautions}
    )
    data = {
        **document_facts(material, *(plan for _, plan in material.versions)),
        "facts": facts_line(material.analysis),
        "variants": [
            {"name": plan.name, "about": pretty(material.about(plan))} for plan in material.plans
        ],
        "rights": material.rights,
        "label": "Altered with retune." if material.plans else "Unaltered.",
        "made": f"{software()}; {origin(material, digits=12)}",
        "slides": slides,
    }
    return typeset("slides", data, svgs=svgs)


def _pictures(
    material: Material, version: str, plan: Plan | None, svgs: dict[str, str]
) -> list[Slide]:
    """The picture of a version, on as many slides as its bars need."""
    made = []
    headline = as_sung(material.analysis) if plan is None else finding(material.analysis, plan)
    for number, bars in enumerate(stretches(material.analysis)):
        svg = lane_svg(
            material.analysis,
            plan,
            width=_SLIDE_WIDTH,
            font=_SLIDE_FONT,
            bars=bars,
            tension=material.curve(plan),
            embed_fonts=False,
            ident="slide",
        )
        name = f"picture-{len(svgs)}.svg"
        svgs[name] = svg
        where = "" if bars is None else f", bars {max(bars[0], 1)} to {bars[1]}"
        aside = (
            f"{shortened(material.title)}{where}{'' if plan is None else ', altered with retune'}"
        )
        words = headline if number == 0 else f"{version}, continued"
        made.append(
            {
                "kind": "picture",
                "headline": words,
                "aside": aside,
                "file": name,
                "alt": alt_text(svg),
            }
        )
    return made


def _summing_up(material: Material, svgs: dict[str, str]) -> list[Slide]:
    """The ladder of endings, each variant's; of a song with few enough phrases to be read."""
    n_rungs = len(ladder_rows(material.analysis))
    if not 0 < n_rungs <= _MOST_RUNGS:
        return []
    made: list[Slide] = []
    for plan in material.plans or (None,):
        svg = ladder_svg(
            material.analysis,
            plan,
            width=_SLIDE_WIDTH,
            font=min(_SLIDE_FONT, _LADDER_ROOM / (6.3 * n_rungs + 2)),
            embed_fonts=False,
            ident="slide",
        )
        name = f"ladder-{len(svgs)}.svg"
        svgs[name] = svg
        words = "The endings" if plan is None else f"The endings, as sung and in {plan.name}"
        aside = shortened(material.title) + ("" if plan is None else ", altered with retune")
        made.append(
            {
                "kind": "picture",
                "headline": words,
                "aside": aside,
                "file": name,
                "alt": alt_text(svg),
            }
        )
    return made


def _weightiest(consequences: Sequence[Consequence]) -> list[Consequence]:
    """As many as a slide holds, what a class hears most first to stay; in order of time."""
    places = range(len(consequences))
    weighed = sorted(places, key=lambda k: -_WEIGHT.get(consequences[k].kind, 0))
    return [consequences[k] for k in sorted(weighed[:_MOST_CONSEQUENCES])]


def _changes(material: Material, plan: Plan) -> Slide:
    rows = [_row(edit, material.analysis) for edit in plan.edits[:_MOST_ROWS]]
    said = [
        {"kind": item.word, "text": pretty(item.text)} for item in _weightiest(plan.consequences)
    ]
    several = len(plan.consequences) - len(said)
    if several:
        others = "1 other consequence" if several == 1 else f"{several} other consequences"
        said.append({"kind": "and more", "text": f"{others} in the plan"})
    over = len(plan.edits) - len(rows)
    return {
        "kind": "changes",
        "headline": f"What {plan.name} changes",
        "aside": shortened(material.title),
        "columns": ["bar", "phrase", "from, to", "degree", "by", "over", "as"],
        "rows": rows,
        "more": f"and {over} more" if over > 0 else "",
        "consequences": said,
    }


def _row(edit: Edit, analysis: Analysis) -> list[str]:
    what = _arrow(edit.from_name, edit.to_name) or edit.stem
    return [
        "" if edit.bar is None else ("pickup" if edit.bar == 0 else str(edit.bar)),
        "" if edit.phrase is None else str(edit.phrase),
        what,
        _arrow(edit.from_degree, edit.to_degree),
        _by(edit, analysis),
        pretty(edit.chord or ""),
        _arrow(edit.role_before, edit.role_after),
    ]


def _by(edit: Edit, analysis: Analysis) -> str:
    """How far a note moves, in pitch and in time."""
    moved = move_words(edit, analysis.bars)
    pitch = by_words(edit.shift_cents) if edit.shift_cents or not moved else ""
    return ", ".join(filter(None, (pitch, moved)))


def _arrow(before: str | None, after: str | None) -> str:
    if before is None and after is None:
        return ""
    if before == after:
        return pretty(before or "")
    return f"{pretty(before or '?')} → {pretty(after or '?')}"


def by_words(cents: float) -> str:
    """ "−2 semitones", "+25 cents"."""
    sign = "−" if cents < 0 else "+"
    if cents % 100:
        return f"{sign}{abs(cents):g} cents"
    count = abs(cents) / 100
    return f"{sign}{count:g} semitone{'' if count == 1 else 's'}"


def shortened(title: str) -> str:
    """A title that leaves room for a headline beside it."""
    return title if len(title) <= 36 else f"{title[:35].rstrip()}…"


# --- sentences -------------------------------------------------------------------------------


def facts_line(analysis: Analysis) -> str:
    """Key, meter, tempo and number of phrases in one line, and how sure what was heard is."""
    key = " then ".join(pretty(str(span.key)) for span in analysis.keys) or "no key found"
    words = [with_doubt(key, key_told(analysis))]
    if len(analysis.bars.downbeats_s) > 1:
        top, bottom = analysis.bars.meter
        bars = f"{top}/{bottom}, {tempo_text(analysis.bars.tempo_bpm)} beats a minute"
        words.append(with_doubt(bars, bars_told(analysis)))
    n_phrases = len(analysis.melody.phrases) if analysis.melody else 0
    return ", ".join([*words, counted(n_phrases, "phrase")])


def as_sung(analysis: Analysis) -> str:
    """How the phrases end, counted: the headline over the original."""
    counts: Counter[str] = Counter(ending.state or "" for ending in phrase_endings(analysis))
    known = [state for state in ("at rest", "partly at rest", "open") if counts[state]]
    if not known:
        return "As sung"
    total = sum(counts[state] for state in known)
    first = f"{counts[known[0]]} of {total} phrases end{'s' if counts[known[0]] == 1 else ''}"
    parts = [f"{first} {known[0]}", *(f"{counts[state]} {state}" for state in known[1:])]
    return "As sung: " + listed(parts)


def finding(analysis: Analysis, plan: Plan) -> str:
    """What a variant does to the endings, as a sentence."""
    changed = [ending for ending in phrase_endings(analysis, plan) if ending.is_changed]
    by_result: dict[str, list[PhraseEnding]] = {}
    for ending in changed:
        words = ending.words_after
        now = words if words.startswith(("still", "moved", "over")) else f"now {words}"
        by_result.setdefault(now, []).append(ending)
    parts = [f"{phrases_named(own)} {words}" for words, own in by_result.items()]
    if not parts:
        count = len(plan.edits)
        return f"{plan.name}: no phrase ends otherwise; {count} place{'s'[: count != 1]} moved"
    return f"{plan.name}: {'; '.join(parts)}"


def phrases_named(endings: Sequence[PhraseEnding]) -> str:
    """ "phrase 2", "phrases 2 and 4"."""
    numbers = [str(ending.number) for ending in endings]
    return f"phrase{'s' if len(numbers) > 1 else ''} {listed(numbers)}"


def listed(words: Sequence[str]) -> str:
    """Words with commas and a last "and"."""
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))


# --- handout ---------------------------------------------------------------------------------


def handout_pdf(material: Material, plan: Plan | None) -> bytes:
    """One A4 page about the original and one variant, with the endings left to fill in, and the
    ladder of endings to fill in on a second."""
    bars = busiest(material.analysis, plan)
    svg = lane_svg(
        material.analysis,
        width=_HANDOUT_WIDTH,
        font=_HANDOUT_FONT,
        systems=None,
        bars=bars,
        quiz=True,
        embed_fonts=False,
        ident="handout",
    )
    width, height = size_of(svg)
    where = "" if bars is None else f", bars {max(bars[0], 1)} to {bars[1]}"
    both = "The original and one variant, altered with retune."
    about = "The original." if plan is None else both
    data = {
        **document_facts(material, *([None, plan] if plan else [None])),
        "facts": f"{material.title}{where}, in {facts_line(material.analysis)}",
        "question": "Does the melody come home?",
        "task": _task(material, plan, bars),
        "alt": alt_text(svg),
        "room": min(515 * height / width, _HANDOUT_ROOM),
        "columns": _questions(material.analysis, plan, bars),
        "foot": f"{about} " + (f"Rights: {material.rights}." if material.rights else ""),
    }
    svgs = {"picture.svg": svg}
    if ladder_rows(material.analysis):
        svgs["ladder.svg"] = ladder_svg(
            material.analysis,
            width=_HANDOUT_WIDTH,
            font=_HANDOUT_FONT,
            quiz=True,
            embed_fonts=False,
            ident="ladder",
        )
        wide, high = size_of(svgs["ladder.svg"])
        data["ladder"] = {
            "alt": alt_text(svgs["ladder.svg"]),
            "height": min(515 * high / wide, _LADDER_PAGE),
        }
    return typeset("handout", data, svgs=svgs)


def _within(endings: Sequence[PhraseEnding], bars: tuple[int, int] | None) -> list[PhraseEnding]:
    """The endings that lie in the bars shown."""
    if bars is None:
        return list(endings)
    return [
        e
        for e in endings
        if e.note is not None and e.note.bar is not None and bars[0] <= e.note.bar <= bars[1]
    ]


def _task(material: Material, plan: Plan | None, bars: tuple[int, int] | None) -> str:
    words = (
        "Each phrase ends on one scale degree over one chord. Listen to the original and write on "
        "each line what you hear: at rest, partly at rest, or open."
    )
    if plan is None:
        return words
    shown = _within(phrase_endings(material.analysis, plan), bars)
    changed = [e for e in shown if e.is_changed]
    where = f", in which {phrases_named(changed)} end otherwise" if changed else ""
    if len(changed) == 1:
        where = where.replace(" end otherwise", " ends otherwise")
    return f"{words} Then hear the variant{where}."


def _questions(
    analysis: Analysis, plan: Plan | None, shown: tuple[int, int] | None
) -> list[dict[str, Any]]:
    endings = _within(phrase_endings(analysis, plan), shown)
    asked = [e for e in endings if e.is_changed][:3] or endings[:2]
    which = "The variant" if plan is not None else "The original"
    while_listening = [
        f"{which}, phrase {e.number}{_bar(e, analysis.bars)}: at rest, partly at rest, or open?"
        for e in asked
    ]
    judged = [judged_bar(e.note, analysis.bars) for e in asked if e.note is not None]
    bars = [str(bar) for bar in judged if bar]
    under = f"under bar{'s' if len(bars) > 1 else ''} {listed(bars)}" if bars else "under these"
    afterwards = [
        f"Which chord lies {under}?",
        "What else would have to change for an open ending to come to rest?",
    ]
    numbered = enumerate([*while_listening, *afterwards], 1)
    items = [{"number": str(number), "text": text} for number, text in numbered]
    cut = len(while_listening)
    return [
        {"title": "While you listen", "items": items[:cut]},
        {"title": "Afterwards", "items": items[cut:]},
    ]


def _bar(ending: PhraseEnding, bars: Bars) -> str:
    if ending.note is None or not ending.note.bar:
        return ""
    words = bars_of(ending.note, bars)
    return f" ({words[0].lower()}{words[1:]})"
