"""What a comparison page says first, and the choice of what is heard, as HTML."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from markupsafe import Markup

from retune.carriers.text import counted
from retune.comparison.html import filled
from retune.comparison.page_input import PageInput, Version


@dataclass(frozen=True)
class _Line:
    """How a version is drawn beside its name: an SVG path, its weight and dashes."""

    css: str
    path: str
    weight: float
    dashes: str = ""
    is_dotted: bool = False


_LINES = {
    "original": _Line("", "M1 5H47", 4),
    "variant": _Line("v", "M1 5H47", 4.4, "10 3.4"),
    "matched-control": _Line("quiet", "M3 5H47", 4.4, ".1 7", is_dotted=True),
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


def altered_words(page: PageInput) -> dict[str, object]:
    """What the page is, for its first sentence."""
    n_altered = len(page.variants)
    melody = page.analysis.melody
    is_sung = melody is not None and melody.role != "mix"
    return {
        "what": "One sung melody" if is_sung else "One song",
        "n_altered": _IN_WORDS[n_altered] if n_altered < len(_IN_WORDS) else str(n_altered),
        "has_moves": any(map(_moves, page.variants)),
    }


_IN_WORDS = ("", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


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


def listen(page: PageInput, number: int) -> Markup:
    """The choice of version, play and loop, volume and level."""
    with_bars = len(page.analysis.bars.downbeats_s) > 1
    first_bar, last_bar = bars_of(page) if with_bars else (1, 1)
    loudness_lufs = page.versions[0].loudness_lufs
    return filled(
        "listen.html",
        number=number,
        versions=[
            {
                "line": _LINES[version.kind],
                "label": label,
                "moved": _moved(page, version),
                "about": _about(version),
            }
            for version, label in zip(page.versions, labels(page), strict=True)
        ],
        with_stage=page.analysis.melody is not None,
        phrases=[span["number"] for span in phrase_spans(page)],
        with_bars=with_bars,
        first_bar=max(first_bar, 1),
        last_bar=last_bar,
        # The ruler of the level goes from -50 dB at 14 to 0 dB at 284.
        target_x=14 + (loudness_lufs + 50) * 5.4
        if loudness_lufs is not None and -50 <= loudness_lufs <= 0
        else None,
    )
