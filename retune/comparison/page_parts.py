"""The sections of one song on a comparison page, as HTML."""

from __future__ import annotations

from markupsafe import Markup

from retune.carriers.barlines import meter_words, tempo_words
from retune.carriers.changes import Plan
from retune.carriers.text import counted
from retune.comparison.estimated import (
    bars_told,
    chords_told,
    key_told,
    second_voice_told,
    with_doubt,
)
from retune.comparison.html import filled
from retune.comparison.page_blind import blind
from retune.comparison.page_input import PageInput, Version
from retune.comparison.page_ladder import ladders
from retune.comparison.page_listen import (
    altered_words,
    bars_of,
    decibels,
    labels,
    listen,
    minus,
)
from retune.comparison.page_stage import stage
from retune.comparison.page_tables import changes, differences_table
from retune.comparison.picture import View, lane_svg
from retune.comparison.picture_style import DRAWINGS
from retune.comparison.picture_time import bars_sung

_HEARD_DB = 0.05


def article(page: PageInput, *, number: int, level: int, with_title: bool) -> Markup:
    """One song: what it is, see, listen, what changes, blind test, how it was made."""
    return filled(
        "song.html",
        number=number,
        level=level,
        title=page.title if with_title else "",
        pictures=pictures(page, number),
        listen=listen(page, number),
        ladders=ladders(page, number),
        changes=[
            (_change_title(page, version), changes(page, version)) for version in page.variants
        ],
        differences=differences_table(page) if page.differences else "",
        blind=blind(page) if page.tests else "",
        made=made(page),
        stage=stage(page, number),
        **altered_words(page),
    )


def _change_title(page: PageInput, version: Version) -> str:
    return "What changes" if len(page.variants) == 1 else f"What {version.name} changes"


def _facts(page: PageInput) -> list[tuple[str, str]]:
    """Key, meter, tempo, length, tuning and rights as terms and what is so."""
    analysis = page.analysis
    n_bars = bars_sung(analysis)
    keys = ", then ".join(str(span.key) for span in analysis.keys) or "not known"
    facts = [("key", with_doubt(keys, key_told(analysis)))]
    if n_bars > 0:
        facts += [
            ("meter", meter_words(analysis.bars)),
            ("tempo", tempo_words(analysis.bars, "a minute")),
        ]
    told = (("bars", bars_told(analysis)), ("chords", chords_told(analysis)))
    facts += [(name, words) for name, words in told if words]
    second = second_voice_told(analysis)
    facts += (
        [("voices", f"{second}: what is moved there may take some of it along")] if second else []
    )
    length = f"{n_bars} bars" if n_bars > 0 else f"{analysis.duration_s:.0f} s"
    n_phrases = len(analysis.melody.phrases) if analysis.melody else 0
    facts += [
        ("length", f"{length}, {counted(n_phrases, 'phrase')}"),
        ("tuning", f"A4 = {analysis.tuning_hz:.1f} Hz"),
    ]
    if not page.is_whole:
        first, last = page.span_s
        facts.append(("heard here", f"{first:.1f} to {last:.1f} s"))
    caveats = [v.plan.caveat for v in page.versions if v.plan is not None and v.plan.caveat]
    facts += [("made", caveats[0])] if caveats else []
    facts += [("rights", page.rights)] if page.rights else []
    return facts


def pictures(page: PageInput, number: int) -> Markup:
    """One figure a variant, each drawn for several widths; only one is shown at a time."""
    shown: list[tuple[Plan | None, str]] = [(v.plan, v.name) for v in page.variants]
    figures = [
        {
            "sizes": [
                _drawing(page, plan, name, css=css, ident=f"p{number}-{place}-{css}")
                for css, *_ in DRAWINGS
            ],
            "with_tension": bool(page.tension.get(name)),
        }
        for place, (plan, name) in enumerate(shown or [(None, "")])
    ]
    return filled("pictures.html", figures=figures, with_chords=bool(page.analysis.chords))


def _drawing(
    page: PageInput,
    plan: Plan | None,
    name: str,
    *,
    css: str,
    ident: str,
) -> str:
    width, font, systems = next((w, f, s) for c, w, f, s in DRAWINGS if c == css)
    whole = page.is_whole or len(page.analysis.bars.downbeats_s) < 2
    svg = lane_svg(
        page.analysis,
        plan,
        View(
            width=width,
            font=font,
            systems=systems,
            theme="page",
            bars=None if whole else bars_of(page),
            variant_name=name or None,
            tension=page.tension.get(name, ()),
            embed_fonts=False,
            ident=ident,
        ),
    )
    return svg.replace(f'class="{ident}"', f'class="{css}"', 1)


def made(page: PageInput) -> Markup:
    """How the versions came about, and the measures of each."""
    rows = [
        {
            "label": label,
            "gain": decibels(v.gain_db + page.heard_db(v)),
            "loudness": _unit(v.loudness_lufs, "LUFS", page.heard_db(v)),
            "true_peak": _unit(v.true_peak_db, "dBTP", page.heard_db(v)),
            "size": f"{v.size_bytes / 1000:.0f} kB",
        }
        for v, label in zip(page.versions, labels(page), strict=True)
    ]
    sentences = [*page.made, *page.warnings]
    if page.lower_db > _HEARD_DB:
        sentences.append(
            f"all versions are played {page.lower_db:.1f} dB lower, so that the loudest peaks of "
            "each stay under −1 dBTP at one loudness"
        )
    return filled(
        "made.html",
        facts=_facts(page),
        rows=rows,
        sentences=sentences,
        megabytes=page.audio_size_bytes * 4 / 3 / 1e6,
        mime=page.versions[0].mime,
    )


def _unit(value: float | None, unit: str, more: float) -> str:
    return "–" if value is None else f"{minus(value + more)} {unit}"
