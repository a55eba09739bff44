"""For a class: sentences about a song, and a one-page handout that keeps the answers off: its
endings are lines to write on.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

from retune.carriers.barlines import meter_words, tempo_words
from retune.carriers.changes import Plan
from retune.carriers.heard import Analysis, Bars
from retune.carriers.text import counted, pretty
from retune.comparison.endings import PhraseEnding, phrase_endings
from retune.comparison.estimated import bars_told, key_told, with_doubt
from retune.comparison.exports.material import Material
from retune.comparison.exports.passages import busiest
from retune.comparison.exports.pictures import alt_text, document_facts
from retune.comparison.exports.typesetting import typeset
from retune.comparison.ladder import ladder_svg
from retune.comparison.ladder_layout import in_pages, ladder_rows
from retune.comparison.picture import View, lane_svg
from retune.comparison.svg import size_of
from retune.song.bartime import bars_of, judged_bar

_HANDOUT_WIDTH, _HANDOUT_FONT = 1200.0, 18.0
_A4_INSIDE = 515.0  # points
_LADDER_ROWS, _MOST_NAMED = 14, 4
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


def shortened(title: str) -> str:
    """A title that leaves room for a headline beside it."""
    return title if len(title) <= 36 else f"{title[:35].rstrip()}…"


# --- sentences -------------------------------------------------------------------------------


def facts_line(analysis: Analysis) -> str:
    """Key, meter, tempo and number of phrases in one line, and how sure what was heard is."""
    key = " then ".join(pretty(str(span.key)) for span in analysis.keys) or "no key found"
    words = [with_doubt(key, key_told(analysis))]
    if len(analysis.bars.downbeats_s) > 1:
        bars = f"{meter_words(analysis.bars)}, {tempo_words(analysis.bars)}"
        words.append(with_doubt(bars, bars_told(analysis)))
    n_phrases = len(analysis.melody.phrases) if analysis.melody else 0
    return ", ".join([*words, counted(n_phrases, "phrase")])


def as_sung(analysis: Analysis) -> str:
    """How the phrases end, counted: the headline over the original."""
    counts: Counter[str] = Counter(ending.state or "" for ending in phrase_endings(analysis))
    known = [state for state in ("at rest", "partly at rest", "open") if counts[state]]
    if not known:
        return "As sung"
    return "As sung: " + ", ".join(f"{counts[state]} {state}" for state in known)


def finding(analysis: Analysis, plan: Plan) -> str:
    """What a variant does to the endings, as a sentence."""
    changed = [ending for ending in phrase_endings(analysis, plan) if ending.is_changed]
    by_result: dict[str, list[PhraseEnding]] = {}
    for ending in changed:
        words = ending.words_after
        now = words if words.startswith(("still", "moved", "over")) else f"now {words}"
        by_result.setdefault(now, []).append(ending)
    is_long = any(len(own) > _MOST_NAMED for own in by_result.values())
    parts = [
        f"{len(own) if is_long else phrases_named(own)} {words}" for words, own in by_result.items()
    ]
    if not parts:
        return f"{plan.name}: no phrase ends otherwise; {counted(len(plan.edits), 'place')} moved"
    return f"{plan.name}: {'; '.join(parts)}"


def phrases_named(endings: Sequence[PhraseEnding]) -> str:
    """ "phrase 2", "phrases 2 and 4", "7 phrases"."""
    numbers = [str(ending.number) for ending in endings]
    if len(numbers) > _MOST_NAMED:
        return counted(len(numbers), "phrase")
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
        view=View(
            width=_HANDOUT_WIDTH,
            font=_HANDOUT_FONT,
            systems=None,
            bars=bars,
            quiz=True,
            embed_fonts=False,
            ident="handout",
        ),
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
        "width": min(_A4_INSIDE, _HANDOUT_ROOM * width / height),
        "columns": _questions(material.analysis, plan, bars),
        "foot": f"{about} " + (f"Rights: {material.rights}." if material.rights else ""),
    }
    ladders = _ladders(material.analysis)
    data["ladders"] = [_placed(file, svg) for file, svg in ladders.items()]
    return typeset("handout", data, svgs={"picture.svg": svg, **ladders})


def _ladders(analysis: Analysis) -> dict[str, str]:
    """The ladder of endings to fill in, by the file of each page."""
    return {
        f"ladder-{number}.svg": ladder_svg(
            analysis,
            width=_HANDOUT_WIDTH,
            font=_HANDOUT_FONT,
            quiz=True,
            phrases=page,
            embed_fonts=False,
            ident="ladder",
        )
        for number, page in enumerate(in_pages(ladder_rows(analysis), most=_LADDER_ROWS))
    }


def _placed(file: str, svg: str) -> dict[str, Any]:
    width, height = size_of(svg)
    wide = min(_A4_INSIDE, _LADDER_PAGE * width / height)
    return {"file": file, "alt": alt_text(svg), "width": wide}


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
