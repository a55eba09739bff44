"""The sections of one song on a comparison page, as HTML text."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from retune.carriers.barlines import meter_words, tempo_words
from retune.carriers.changes import Plan
from retune.carriers.text import counted
from retune.comparison.estimated import bars_told, chords_told, key_told, with_doubt
from retune.comparison.html import show
from retune.comparison.page_blind import blind
from retune.comparison.page_input import PageInput, Version
from retune.comparison.page_ladder import ladders
from retune.comparison.page_listen import bars_of, decibels, labels, lede, listen, minus
from retune.comparison.page_stage import stage
from retune.comparison.page_tables import (
    consequences_list,
    differences_table,
    edits_table,
    plain_list,
    rules_list,
)
from retune.comparison.picture import View, lane_svg
from retune.comparison.picture_rows import TensionPoint
from retune.comparison.picture_style import DRAWINGS
from retune.comparison.picture_time import bars_sung

_HEARD_DB = 0.05


def article(page: PageInput, *, number: int, level: int, with_title: bool) -> str:
    """One song: what it is, see, listen, what changes, blind test, how it was made."""
    title = f'<h2 class="name-of-song">{show(page.title)}</h2>' if with_title else ""
    heading = f"h{level}"
    sections = [
        _section("See", pictures(page, number), heading, css="seen first"),
        _section("Listen", listen(page, number), heading, css="noprint seen"),
        _section("How each phrase ends", ladders(page, number), heading, css="seen"),
        *(
            _section(_change_title(page, v), changes(page, v), heading, css="seen")
            for v in page.variants
        ),
        _section("From the mix and from stems", differences_table(page), heading, css="seen")
        if page.differences
        else "",
        _section("Listen blind", blind(page), heading, css="noprint blind") if page.tests else "",
        _section("The song, and how it was made", made(page), heading, css="seen"),
    ]
    return (
        f'<article data-song="{number}">{title}{lede(page)}{"".join(sections)}{stage(page, number)}'
        "</article>"
    )


def _section(title: str, body: str, heading: str, *, css: str = "") -> str:
    kind = f' class="{css}"' if css else ""
    return f'<section{kind}><{heading} class="part">{show(title)}</{heading}>{body}</section>\n'


def _change_title(page: PageInput, version: Version) -> str:
    return "What changes" if len(page.variants) == 1 else f"What {version.name} changes"


def facts_line(page: PageInput) -> str:
    """Key, meter, tempo, length, tuning and rights as a list of terms."""
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
    items = "".join(f"<div><dt>{term}</dt><dd>{show(fact)}</dd></div>" for term, fact in facts)
    return f'<dl class="facts seen">{items}</dl>'


def pictures(page: PageInput, number: int) -> str:
    """One figure a variant, each drawn for several widths; only one is shown at a time."""
    shown: list[tuple[Plan | None, str]] = [(v.plan, v.name) for v in page.variants]
    figures = [
        _figure(page, plan, name, number=number, place=place)
        for place, (plan, name) in enumerate(shown or [(None, "")])
    ]
    return (
        f"{''.join(figures)}"
        '<div class="under noprint"><p class="here" aria-live="polite">Choose a note: click it'
        '<span class="by-key">, or press comma or full stop</span>.</p><p class="set">'
        '<button type="button" class="plain narrow-only" data-do="system" data-by="-1">bars before'
        '</button> <button type="button" class="plain narrow-only" data-do="system" data-by="1">'
        "bars after</button> "
        '<button type="button" class="plain" data-do="before">note before <kbd>,</kbd></button> '
        '<button type="button" class="plain" data-do="after">note after <kbd>.</kbd></button>'
        "</p></div>"
    )


def _figure(page: PageInput, plan: Plan | None, name: str, *, number: int, place: int) -> str:
    curve = page.tension.get(name, ())
    hidden = " hidden" if place else ""
    drawings = "".join(
        _drawing(page, plan, name, curve, css=css, ident=f"p{number}-{place}-{css}")
        for css, *_ in DRAWINGS
    )
    caption = "Time in bars across, one lane a scale degree."
    if page.analysis.chords:
        caption += " A lane is solid where its degree belongs to the chord."
    if curve:
        caption += " Tension is the figure of a model, not a measurement of listeners."
    return (
        f'<figure data-picture="{place}"{hidden}><div class="pic">{drawings}</div>'
        f'<figcaption class="small quiet">{caption}</figcaption></figure>'
    )


def _drawing(
    page: PageInput,
    plan: Plan | None,
    name: str,
    curve: tuple[TensionPoint, ...],
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
            tension=curve,
            embed_fonts=False,
            ident=ident,
        ),
    )
    return svg.replace(f'class="{ident}"', f'class="{css}"', 1)


def changes(page: PageInput, version: Version) -> str:
    """Rules, edits and what follows from them."""
    return (
        '<div class="two"><div>'
        f'<p class="minor">Rules</p>{rules_list(version)}{edits_table(page, version)}</div>'
        f'<div><p class="minor">What follows</p>{consequences_list(page, version)}</div></div>'
    )


def made(page: PageInput) -> str:
    """How the versions came about, and the measures of each."""
    rows = "".join(
        f'<tr><th scope="row">{escape(label)}</th>'
        f'<td class="num">{decibels(v.gain_db + page.heard_db(v))}</td>'
        f'<td class="num">{_unit(v.loudness_lufs, "LUFS", page.heard_db(v))}</td>'
        f'<td class="num">{_unit(v.true_peak_db, "dBTP", page.heard_db(v))}</td>'
        f'<td class="num">{v.size_bytes / 1000:.0f} kB</td></tr>'
        for v, label in zip(page.versions, labels(page), strict=True)
    )
    sentences = [*page.made, *page.warnings]
    if page.lower_db > _HEARD_DB:
        sentences.append(
            f"all versions are played {page.lower_db:.1f} dB lower, so that the loudest peaks of "
            "each stay under −1 dBTP at one loudness"
        )
    megabytes = page.audio_size_bytes * 4 / 3 / 1e6
    listed = f'<ul class="cons">{plain_list(sentences)}</ul>' if sentences else ""
    return (
        f"{facts_line(page)}{listed}"
        '<div class="wide" tabindex="0" role="region" aria-label="Measures"><table>'
        '<caption class="hide">Level of each version</caption><thead><tr><th scope="col">Version'
        '</th><th scope="col">Gain</th><th scope="col">Loudness</th><th scope="col">True peak</th>'
        f'<th scope="col">Sound</th></tr></thead><tbody>{rows}</tbody></table></div>'
        '<p class="small quiet">Loudness by ITU-R BS.1770, matched to the original; peaks below '
        f"−1 dBTP before compression. Sound inside this page: {megabytes:.1f} MB "
        f"({escape(page.versions[0].mime)}).</p>"
    )


def _unit(value: float | None, unit: str, more: float) -> str:
    return "–" if value is None else f"{minus(value + more)} {unit}"


def key_list(rows: Iterable[tuple[str, str]]) -> str:
    """Keys and what they do, as items of a list in HTML."""
    return "".join(
        f"<li><b>{escape(key)}</b><span>{escape(what)}</span></li>" for key, what in rows
    )
