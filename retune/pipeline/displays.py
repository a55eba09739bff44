"""What a notebook shows of a song: endings and edits as tables, pictures, and sounds to play."""

from __future__ import annotations

import hashlib

from retune.carriers.barlines import meter_words, tempo_words
from retune.carriers.changes import Plan, Rendition
from retune.carriers.heard import Analysis
from retune.carriers.text import counted, pretty
from retune.comparison.consequence_words import told
from retune.comparison.displayed import Picture, Sound
from retune.comparison.encode import MIMES
from retune.comparison.endings import phrase_endings
from retune.comparison.html import filled
from retune.comparison.mix import passage
from retune.pipeline.encoded_sound import encoded
from retune.pipeline.inputs import SongInputs
from retune.pipeline.mix_levels import levelled_mix
from retune.pipeline.passages import find_passage
from retune.pipeline.song_analysis import HEARD, analysis_of

FONT = 16.0
FADE_S = 0.03


def picture_of(analysis: Analysis, plan: Plan | None = None, *, systems: int = 2) -> Picture:
    """The melody on lanes of scale degrees, and what a plan moves."""
    from retune.comparison.picture import View, lane_svg

    name = plan.name if plan is not None else "the original"
    parts = [analysis.title, name, *(repr(edit) for edit in (plan.edits if plan else ()))]
    ident = "p" + hashlib.sha256("\n".join(parts).encode()).hexdigest()[:8]
    svg = lane_svg(analysis, plan, View(font=FONT, systems=systems, ident=ident))
    return Picture(svg, f"{analysis.title}, {name}")


def sound_of(
    opened: SongInputs,
    rendition: Rendition | None,
    span: tuple[str | None, str | None, str | None],
) -> Sound:
    """A version, or a part of it, as Opus at matched level."""
    first_s, last_s = find_passage(analysis_of(opened), *span)
    mix, _ = levelled_mix(opened, rendition)
    cut = passage(mix, start_s=first_s, end_s=last_s, fade_s=FADE_S)
    data = encoded(cut, mix.rate_hz, "opus", memory=opened.memory)
    name = "original" if rendition is None else rendition.name
    if rendition is not None and rendition.kind != "variant":
        name = f"{name}, {rendition.kind.replace('-', ' ')}"
    return Sound(data, MIMES["opus"], name)


def analysis_html(analysis: Analysis) -> str:
    """The facts of a song, how its phrases end, and the picture."""
    bars = analysis.bars
    facts = [f"key {pretty(str(analysis.key))}" if analysis.key else "no key found"]
    if bars.downbeats_s:
        facts += [meter_words(bars), tempo_words(bars, "a minute")]
    facts += [f"{name}: {counted(len(s.notes), 'note')}" for name, s in analysis.stems.items()]
    rows = [
        (
            str(ending.number),
            "" if ending.note is None or ending.note.bar is None else str(ending.note.bar),
            "" if ending.note is None else pretty(ending.note.name),
            pretty(ending.degree or ""),
            ""
            if ending.chord is None
            else pretty(f"{ending.chord.roman or ''} {ending.chord.typed}".strip()),
            ending.state or "",
        )
        for ending in phrase_endings(analysis)
    ]
    head = ("phrase", "bar", "ends on", "degree", "over", "ending")
    return filled(
        "notebook.html",
        title=analysis.title,
        fact="; ".join(facts),
        rules=(),
        head=head,
        rows=rows,
        said=(),
        picture=picture_of(analysis).svg if analysis.melody is not None else "",
    )


def plan_html(plan: Plan) -> str:
    """What a plan moves and what follows of it, with the picture where its song is still open."""
    rows = [
        (
            edit.stem,
            "" if edit.bar is None else str(edit.bar),
            "" if edit.phrase is None else str(edit.phrase),
            _change(edit.from_name, edit.to_name),
            _change(edit.from_degree, edit.to_degree),
            f"{edit.shift_cents:+g}" if edit.shift_cents else "",
            pretty(edit.chord or ""),
            _change(edit.role_before, edit.role_after),
        )
        for edit in plan.edits
    ]
    head = ("stem", "bar", "phrase", "from, to", "degree", "cents", "over", "as")
    title = f"{plan.name}: {counted(len(rows), 'note')} moved" if rows else "nothing moves"
    heard = HEARD.get(plan.heard)
    said = [f"{'△ ' if one.is_clash else ''}{one.text}" for one in told(plan.consequences)]
    return filled(
        "notebook.html",
        title=title,
        fact="",
        rules=plan.rules,
        head=head,
        rows=rows,
        said=list(filter(None, [plan.caveat, *said, *plan.warnings])),
        picture=picture_of(heard, plan).svg
        if heard is not None and heard.melody is not None
        else "",
    )


def _change(before: str | None, after: str | None) -> str:
    if before is None and after is None:
        return ""
    return f"{pretty(before or '?')} → {pretty(after or '?')}"
