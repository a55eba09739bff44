"""A comparison page: one HTML file with sound, pictures and tables inside.

It asks for nothing from anywhere: a strict content security policy allows its own style and
script by their hashes only. Everything that came from a song file is escaped.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Iterator, Sequence

from retune import __version__
from retune.carriers.errors import UsageError
from retune.comparison.blind import choices, verdicts
from retune.comparison.endings import is_touched, phrase_endings
from retune.comparison.exports.deck import DRAWN_FONT
from retune.comparison.html import asset, bundled, content_policy, filled
from retune.comparison.page_input import PageInput, Version
from retune.comparison.page_listen import labels, phrase_spans
from retune.comparison.page_parts import article
from retune.comparison.page_stage import LARGE
from retune.comparison.picture import picture_css
from retune.comparison.picture_style import DRAWINGS, font_faces

__all__ = ["PageInput", "Version", "comparison_page"]

_SCRIPTS = (
    "dom.js",
    "player.js",
    "blind-words.js",
    "blind.js",
    "page-picture.js",
    "stage.js",
    "page.js",
)
_CAUTIONS = (
    "Begin with the volume low. No program can know how loud your loudspeakers are.",
    "Every version but the original is altered with retune. Say so wherever you play it.",
    "Altering a recording needs the permission of those who own it; exceptions for teaching differ "
    "from country to country.",
    "What a listener hears in one song, in one order, on one day is no proof about music.",
)
_KEYS = (
    ("O V M", "original, variant (again: the next), matched control"),
    ("X", "exchange with the previous"),
    ("P", "play, pause"),
    ("L", "loop on, off"),
    (", .", "note before, after"),
    ("[ ]", "phrase before, after"),
    ("E Shift+E", "next, previous ending"),
    ("B", "listen blind"),
    ("1 2", "in the blind test: first, second"),
    (
        "S",
        "show large, for a hall: 1 to 9 or Page Down and Page Up choose what sounds, D dark or"
        " light, Esc back",
    ),
    ("F6 Shift+F6", "next, previous region"),
    ("?", "all keys"),
)


def comparison_page(comparison: PageInput | Sequence[PageInput]) -> str:
    """A self-contained page that plays, shows and explains the versions of one or more songs.

    The same input gives the same text. Raises UsageError when no song is given.
    """
    pages = [comparison] if isinstance(comparison, PageInput) else list(comparison)
    if not pages:
        raise UsageError("a page of no songs was asked for; give at least one")
    several = len(pages) > 1
    title = " · ".join(page.title for page in pages)
    headline = title if several else pages[0].headline or pages[0].title
    style = _style()
    script = bundled(_SCRIPTS)
    made = filled(
        "page.html",
        policy=content_policy(style=style, script=script),
        version=__version__,
        style=style,
        title=title,
        headline=headline,
        rights=_rights(pages),
        songs=[
            article(page, number=k, level=3 if several else 2, with_title=several)
            for k, page in enumerate(pages)
        ],
        keys=_KEYS,
        cautions=_CAUTIONS,
        data=[{"facts": _facts_text(page), "sounds": _sounds(page)} for page in pages],
        mixer=asset("mixer.js"),
        script=script,
    )
    return str(made)


def _rights(pages: Sequence[PageInput]) -> str:
    said = list(dict.fromkeys(page.rights for page in pages if page.rights))
    return f"Rights: {'; '.join(said)}." if said else "Rights: not stated."


def _style() -> str:
    drawings = "".join(picture_css(font, scope=css) for css, _, font, _ in DRAWINGS)
    drawings += picture_css(DRAWN_FONT, scope=LARGE)
    sheets = map(asset, ("inks.css", "common.css", "page.css", "stage.css"))
    return "\n".join((font_faces(), *sheets, drawings))


def _sounds(page: PageInput) -> Iterator[str]:
    """The files of every version as base64, in blocks that no browser runs."""
    for version in page.versions:
        for file in version.files:
            yield base64.b64encode(file).decode()


def _facts_text(page: PageInput) -> str:
    """The facts as JSON that nothing in it can end."""
    text = json.dumps(_facts(page), ensure_ascii=True, sort_keys=True, allow_nan=False)
    for sign in "<>&":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def _facts(page: PageInput) -> dict[str, object]:
    return {
        "rate_hz": page.rate_hz,
        "passage": [round(time, 6) for time in page.span_s],
        "versions": [
            {
                "name": version.name,
                "kind": version.kind,
                "label": label,
                "gain_db": version.gain_db - page.versions[0].gain_db,
                "short_db": version.short_by_db,
                "picture": _picture_of(page, version),
                "spans": _spans(version),
            }
            for version, label in zip(page.versions, labels(page), strict=True)
        ],
        "phrases": phrase_spans(page),
        "changed": _changed(page),
        "bars": list(page.analysis.bars.downbeats_s),
        "blind": [test.to_json() for test in page.tests],
        "verdicts": verdicts(page.tests[0]) if page.tests else {},
        "choices": choices(page.tests) if page.tests else {},
        "passages": _passages(page),
    }


def _spans(version: Version) -> list[dict[str, object]] | None:
    """Where the files of a version go in the original's sound; None when there is one, whole."""
    if version.spans is None:
        return None
    return [
        {"at": span.at, "rise": list(span.rise), "fall": list(span.fall)} for span in version.spans
    ]


def _changed(page: PageInput) -> list[int]:
    """The phrases that are heard in which a variant changes something, those of the first first."""
    heard = {int(span["number"]) for span in phrase_spans(page)}
    found: dict[int, None] = {}
    for plan in filter(None, (version.plan for version in page.variants)):
        ends = phrase_endings(page.analysis, plan)
        own = {e.number for e in ends if is_touched(e, plan)}
        found |= dict.fromkeys(sorted(own & heard))
    return list(found)


def _picture_of(page: PageInput, version: Version) -> int | None:
    """Which figure goes with a version: its own, that of its variant, or none."""
    names = [variant.name for variant in page.variants]
    plan_name = version.plan.name if version.plan is not None else version.name
    for name in (version.name, plan_name):
        if version.kind != "original" and name in names:
            return names.index(name)
    return None


def _passages(page: PageInput) -> dict[str, list[float]]:
    """Label of each passage of the tests to the span that is played: "phrase 2" is led by the
    phrase before, for context; "all" is played as it is."""
    spans = {f"phrase {s['number']}": s for s in phrase_spans(page)}
    numbers = list(spans)
    wanted = {trial.passage for test in page.tests for trial in test.trials}
    found: dict[str, list[float]] = {}
    for label in sorted(wanted):
        if label == "all":
            found[label] = list(page.span_s)
        elif label in spans:
            before = numbers[max(numbers.index(label) - 1, 0)]
            found[label] = [float(spans[before]["start_s"]), float(spans[label]["end_s"])]
        else:
            raise UsageError(
                f'{page.title}: a blind test asks for "{label}", which is not heard on the page; '
                f"give one of {', '.join([*numbers, 'all'])}"
            )
    return found
