"""What a comparison page says first, and the choice of what is heard, as HTML text."""

from __future__ import annotations

from html import escape
from itertools import pairwise

from retune.carriers.text import counted
from retune.comparison.html import show
from retune.comparison.page_input import PageInput, Version

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


def minus(value: float) -> str:
    """ "−0.3" with a real minus sign."""
    rounded = round(value, 1) + 0.0
    return f"{'−' if rounded < 0 else ''}{abs(rounded):.1f}"


def lede(page: PageInput) -> str:
    """What the page is, in one sentence, and what to do."""
    n_moved = len(page.variants)
    melody = page.analysis.melody
    is_sung = melody is not None and melody.role != "mix"
    what = "One sung melody" if is_sung else "One song"
    if not n_moved:
        return f'<p class="lede seen">{what}, unaltered. Press Play.</p>'
    number = _IN_WORDS[n_moved] if n_moved < len(_IN_WORDS) else str(n_moved)
    moved = (
        "Blue dashes show the notes that were moved. " if any(map(_moves, page.variants)) else ""
    )
    return (
        f'<p class="lede seen">{what} and {number} altered version{"s"[: n_moved != 1]}. {moved}'
        'Press Play, then <span class="by-key">V</span><span class="by-touch">choose a version'
        "</span>.</p>"
    )


_SHOW_LARGE = (
    '<div class="set"><button type="button" data-do="present"><kbd>S</kbd>how large, for a hall'
    "</button></div>"
)
_IN_WORDS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def _moves(version: Version) -> bool:
    return version.plan is not None and any(edit.note is not None for edit in version.plan.edits)


def _about(version: Version) -> str:
    """What a version is, under its name."""
    if version.kind == "original":
        return "As it was sung"
    if version.kind == "matched-control":
        return (
            f"The original, sent through the processing of {control_of(version)} and back: compare "
            "with it, so that the melody is all that differs"
        )
    caveat = version.plan.caveat if version.plan is not None else ""
    return "; ".join(filter(None, (version.about.rstrip("."), caveat)))


def _moved(page: PageInput, version: Version) -> str:
    """ "2 of 63 notes"; "4 places" where other stems move too."""
    if version.kind != "variant":
        return ""
    edits = version.plan.edits if version.plan else ()
    n_notes = len(page.analysis.melody.notes) if page.analysis.melody else 0
    own = sum(edit.note is not None for edit in edits)
    if own == len(edits) and n_notes:
        return f"{own} of {counted(n_notes, 'note')}"
    return counted(len(edits), "place")


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


def listen(page: PageInput, number: int) -> str:
    """The choice of version, play and loop, volume and level."""
    rows = "".join(
        _version_row(page, version, label, k, number)
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
        "previous</button></div>"
        f"{_SHOW_LARGE if page.analysis.melody else ''}"
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


def _version_row(page: PageInput, version: Version, label: str, k: int, number: int) -> str:
    css, sample = _SAMPLES[version.kind]
    head, tail = label[0], label[1:]
    checked = " checked" if k == 0 else ""
    kind = f' class="{css}"' if css else ""
    return (
        f'<label{kind}><input type="radio" name="sounds-{number}" value="{k}"{checked}>'
        f'<svg viewBox="0 0 48 10" aria-hidden="true">{sample}</svg>'
        f'<span class="name"><kbd>{escape(head)}</kbd>{escape(tail)}</span>'
        f'<span class="small num">{_moved(page, version)}</span>'
        f'<span class="about small">{show(_about(version))}</span></label>'
    )
