"""The sections of one song on a comparison page, as HTML text."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from itertools import pairwise

from retune.carriers.changes import Plan
from retune.carriers.text import counted, tempo_text
from retune.comparison.estimated import bars_told, chords_told, key_told, with_doubt
from retune.comparison.html import show
from retune.comparison.page_blind import blind
from retune.comparison.page_input import PageInput, Version
from retune.comparison.page_ladder import ladders
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
_SAMPLES = {
    "original": ("", '<path d="M1 5H47" fill="none" stroke="currentColor" stroke-width="4"/>'),
    "variant": (
        "v",
        '<path d="M1 5H47" fill="none" stroke="currentColor" stroke-width="4.4" '
        'stroke-dasharray="10 3.4"/>',
    ),
    "matched-control": (
        "quiet",
        '<path d="M3 5H47" fill="none" stroke="currentColor" stroke-width="4.4" '
        'stroke-dasharray=".1 7" stroke-linecap="round"/>',
    ),
}


def decibels(level_db: float) -> str:
    """ "−0.3 dB" with a real minus sign."""
    rounded = round(level_db, 1) + 0.0
    return f"{'−' if rounded < 0 else '+' if rounded > 0 else ''}{abs(rounded):.1f} dB"


def version_label(version: Version, *, only_one: bool) -> str:
    """What a version is called: "Original", "Variant home-early", "Matched control"."""
    if version.kind == "original":
        return "Original"
    if version.kind == "variant":
        return f"Variant {version.name}"
    return "Matched control" if only_one else f"Matched control of {control_of(version)}"


def control_of(version: Version) -> str:
    """The variant that a matched control belongs to."""
    return version.plan.name if version.plan is not None else version.name


def labels(page: PageInput) -> list[str]:
    """The names of all versions of a page."""
    controls = sum(v.kind == "matched-control" for v in page.versions)
    return [version_label(v, only_one=controls == 1) for v in page.versions]


def article(page: PageInput, *, number: int, level: int, with_title: bool) -> str:
    """One song: listen, see, what changes, blind test, how it was made."""
    title = f'<h2 class="name-of-song">{show(page.title)}</h2>' if with_title else ""
    heading = f"h{level}"
    sections = [
        _section("Listen", listen(page, number), heading, css="noprint seen"),
        _section("See", pictures(page, number), heading, css="seen"),
        _section("How each phrase ends", ladders(page, number), heading, css="seen"),
        *(
            _section(_change_title(page, v), changes(page, v), heading, css="seen")
            for v in page.variants
        ),
        _section("From the mix and from stems", differences_table(page), heading, css="seen")
        if page.differences
        else "",
        _section("Listen blind", blind(page), heading, css="noprint blind") if page.tests else "",
        _section("How it was made", made(page), heading, css="seen"),
    ]
    intro = facts_line(page) + lede(page)
    return f'<article data-song="{number}">{title}{intro}{"".join(sections)}</article>'


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
        top, bottom = analysis.bars.meter
        facts += [
            ("meter", f"{top}/{bottom}"),
            ("tempo", f"{tempo_text(analysis.bars.tempo_bpm)} a minute"),
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


def lede(page: PageInput) -> str:
    """What can be compared here: a sentence, or a list of several variants."""
    if not page.variants:
        return '<p class="lede seen">The original alone.</p>'
    told = [_variant_words(page, version) for version in page.variants]
    if len(told) == 1:
        return f'<p class="lede seen">You can compare the original with {told[0]}</p>'
    items = "".join(f"<li>{words}</li>" for words in told)
    return (
        '<div class="lede seen"><p>You can compare the original with:</p>'
        f'<ul class="rules">{items}</ul></div>'
    )


def _variant_words(page: PageInput, version: Version) -> str:
    edits = version.plan.edits if version.plan else ()
    n_notes = len(page.analysis.melody.notes) if page.analysis.melody else 0
    own = sum(edit.note is not None for edit in edits)
    what = f"{own} of {n_notes} notes" if own == len(edits) and n_notes else _spans(len(edits))
    about = f": {show(version.about.rstrip('.'))}" if version.about else ""
    caveat = f", {version.plan.caveat}" if version.plan and version.plan.caveat else ""
    return f'<b class="v">{show(version.name)}</b>{about} ({what} moved{caveat}).'


def _spans(count: int) -> str:
    return f"{count} span" if count == 1 else f"{count} spans"


def listen(page: PageInput, number: int) -> str:
    """The choice of version, play and loop, volume and level."""
    rows = "".join(
        _version_row(version, label, k, number)
        for k, (version, label) in enumerate(zip(page.versions, labels(page), strict=True))
    )
    options = '<option value="all">all of it</option>' + "".join(
        f'<option value="{p["number"]}">phrase {p["number"]}</option>' for p in phrase_spans(page)
    )
    has_bars = len(page.analysis.bars.downbeats_s) > 1
    first_bar, last_bar = bars_of(page) if has_bars else (1, 1)
    bars = (
        f'<span class="set bars" hidden><label>from bar <input type="number" data-do="bar" min="1" '
        f'max="{last_bar}" value="{max(first_bar, 1)}"></label> <label>to <input type="number" '
        f'data-do="bar" min="1" max="{last_bar}" value="{last_bar}"></label></span>'
    )
    options += '<option value="bars">bars</option>' if has_bars else ""
    return (
        '<div class="two"><div><fieldset class="versions">'
        f'<legend class="hide">Which version sounds</legend>{rows}</fieldset></div><div>'
        '<div class="set"><button type="button" class="main" data-do="play"><kbd>P</kbd><span>lay'
        '</span></button><button type="button" data-do="exchange">E<kbd>x</kbd>change with the '
        "last</button></div>"
        '<div class="set"><label class="row"><input type="checkbox" data-do="loop"> '
        "<span><kbd>L</kbd>oop</span></label>"
        f'<label><span class="hide">What to loop</span><select data-do="span">{options}</select>'
        f"</label>{bars}</div>"
        '<label class="row"><input type="checkbox" data-do="match" checked> '
        "<span>Level match, to the original’s loudness</span></label>"
        '<label><span class="small quiet">Volume: begin low, then raise it. Loud sound harms '
        'hearing.</span><input type="range" data-do="volume" min="0" max="100" value="39"></label>'
        f"{meter(page.versions[0].loudness_lufs)}</div></div>"
    )


_TICKS = "".join(
    f"M{14 + 54 * k} {26 - (5 if k % 2 else 8)}v{10 if k % 2 else 16}" for k in range(6)
)
_METER_HEAD = (
    '<svg class="meter" viewBox="0 0 300 46" aria-hidden="true">'
    f'<path d="M14 26H284{_TICKS}"/>'
    '<text x="4" y="45">−50</text><text x="112" y="45">−30</text><text x="220" y="45">−10</text>'
    '<text x="262" y="45">0 dB</text><path class="now" d="M0 14V38"/>'
)


def meter(loudness_lufs: float | None) -> str:
    """A ruler with the level that sounds now, and a triangle at the loudness of the original."""
    mark = ""
    if loudness_lufs is not None and -50 <= loudness_lufs <= 0:
        x = 14 + (loudness_lufs + 50) * 5.4
        mark = f'<path class="target" d="M{x:.1f} 18L{x - 5:.1f} 9H{x + 5:.1f}Z"/>'
    return f"{_METER_HEAD}{mark}</svg>"


def _version_row(version: Version, label: str, k: int, number: int) -> str:
    css, sample = _SAMPLES[version.kind]
    head, tail = label[0], label[1:]
    checked = " checked" if k == 0 else ""
    kind = f' class="{css}"' if css else ""
    return (
        f'<label{kind}><input type="radio" name="sounds-{number}" value="{k}"{checked}>'
        f'<svg viewBox="0 0 48 10" aria-hidden="true">{sample}</svg>'
        f'<span class="name"><kbd>{escape(head)}</kbd>{escape(tail)}</span>'
        f'<span class="small num">{decibels(version.gain_db)}</span></label>'
    )


def phrase_spans(page: PageInput) -> list[dict[str, float | int]]:
    """Number, start and end of every phrase that is heard, for loops."""
    stem = page.analysis.melody
    first, last = page.span_s
    spans: list[dict[str, float | int]] = []
    for phrase in stem.phrases if stem else ():
        start, end = max(phrase.start_s, first), min(phrase.end_s + 0.25, last)
        if end - start > 0.3:
            spans.append({"number": phrase.index, "start_s": start, "end_s": end})
    for earlier, later in pairwise(spans):
        earlier["end_s"] = min(earlier["end_s"], max(later["start_s"], earlier["start_s"] + 0.3))
    return spans


def bars_of(page: PageInput) -> tuple[int, int]:
    """First and last bar that are heard (0 for the pickup)."""
    downbeats = page.analysis.bars.downbeats_s
    first_s, last_s = page.span_s
    first = sum(1 for downbeat in downbeats[:-1] if downbeat <= first_s + 0.02)
    last = sum(1 for downbeat in downbeats[:-1] if downbeat < last_s - 0.02)
    return first, max(last, 1)


def pictures(page: PageInput, number: int) -> str:
    """One figure a variant, each drawn for several widths; only one is shown at a time."""
    shown: list[tuple[Plan | None, str]] = [(v.plan, v.name) for v in page.variants]
    figures = [
        _figure(page, plan, name, number=number, place=place)
        for place, (plan, name) in enumerate(shown or [(None, "")])
    ]
    return (
        f"{''.join(figures)}"
        '<div class="under noprint"><p class="here" aria-live="polite">Choose a note: click it, '
        'or press comma or full stop.</p><p class="set">'
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
        f'<td class="num">{v.size_bytes / 1000:.0f} kB {escape(v.mime)}</td></tr>'
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
        f'{listed}<div class="wide" tabindex="0" role="region" aria-label="Measures"><table>'
        '<caption class="hide">Level of each version</caption><thead><tr><th scope="col">Version'
        '</th><th scope="col">Gain</th><th scope="col">Loudness</th><th scope="col">True peak</th>'
        f'<th scope="col">Sound</th></tr></thead><tbody>{rows}</tbody></table></div>'
        '<p class="small quiet">Loudness by ITU-R BS.1770, matched to the original; peaks below '
        f"−1 dBTP before compression. Sound inside this page: {megabytes:.1f} MB.</p>"
    )


def _unit(value: float | None, unit: str, more: float) -> str:
    return "–" if value is None else f"{minus(value + more)} {unit}"


def minus(value: float) -> str:
    """ "−0.3" with a real minus sign."""
    rounded = round(value, 1) + 0.0
    return f"{'−' if rounded < 0 else ''}{abs(rounded):.1f}"


def key_list(rows: Iterable[tuple[str, str]]) -> str:
    """Keys and what they do, as items of a list in HTML."""
    return "".join(
        f"<li><b>{escape(key)}</b><span>{escape(what)}</span></li>" for key, what in rows
    )
