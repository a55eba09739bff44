"""A blind test on paper: a sheet for each listener to answer on, and one for who plays it."""

from __future__ import annotations

from html import escape
from string import Template

from retune import __version__
from retune.comparison.blind import Design, Trial
from retune.comparison.html import asset, content_policy, show
from retune.comparison.picture_style import font_faces

_NOT_COUNTED = {"practice": " (practice)"}


def answer_sheet(design: Design, *, title: str, rights: str = "") -> str:
    """A page to print for one listener: the question, and boxes to tick for every trial.

    It does not say which version is heard when. Ratings get the numbers 1 to 7.
    """
    rows = "".join(_answer_row(trial) for trial in design.trials)
    body = (
        f'<p class="question">{show(design.question)}</p>'
        f"<p>{_how(design)} Answer each time, even when you are not sure. Do not look at your "
        "neighbour’s sheet, and do not talk until the end.</p>"
        '<table><caption class="hide">Answers</caption><thead><tr><th scope="col">No.</th>'
        '<th scope="col">Your answer</th><th scope="col">Remarks</th></tr></thead>'
        f"<tbody>{rows}</tbody></table>"
    )
    corner = 'Name or number: <span class="blank"></span>'
    return _sheet(title, f"listening sheet {design.sheet}", corner, body, rights)


def _how(design: Design) -> str:
    if any(trial.kind == "rating" for trial in design.trials):
        return "You hear one version at a time, once."
    return "You hear two versions, one after the other, once, with two seconds of silence between."


def _answer_row(trial: Trial) -> str:
    options = ["first", "second"] if trial.second else [str(k) for k in range(1, 8)]
    boxes = " &nbsp; ".join(
        f'<span class="num"><span class="box"></span>{option}</span>' for option in options
    )
    number = f"{trial.number}{_NOT_COUNTED.get(trial.kind, '')}"
    return f'<tr><th scope="row">{number}</th><td>{boxes}</td><td class="wide-cell"></td></tr>'


def playing_sheet(design: Design, *, title: str, rights: str = "") -> str:
    """A page to print for who plays the test: what to play when, and how to keep the answers.

    It holds the answers: keep it from the listeners.
    """
    rows = "".join(
        f'<tr><th scope="row">{t.number}</th><td>{show(t.passage)}</td><td>{show(t.first)}</td>'
        f"<td>{show(t.second or '–')}</td><td>{escape(t.kind)}</td><td></td></tr>"
        for t in design.trials
    )
    body = (
        '<p class="question">Keep this sheet from the listeners: it holds the answers.</p>'
        "<p>Play each passage with the phrase before it, each version once, two seconds of silence "
        "between the two, and wait until everyone has answered. Set the level once, low enough for "
        "the most sensitive ears, and leave it.</p>"
        '<table><caption class="hide">What to play</caption><thead><tr>'
        + "".join(
            f'<th scope="col">{word}</th>'
            for word in ("No.", "Passage", "First", "Second", "Kind", "Hands")
        )
        + f"</tr></thead><tbody>{rows}</tbody></table>"
        "<p>Type the answers as CSV with the columns <i>listener, sheet, trial, kind, passage, "
        "first, second, answer</i>. Counting hands instead is quick, but hands follow other hands: "
        "write such a count as kind <i>hands</i>, answer <i>first:12 second:9</i>; it is shown and "
        "never tested.</p>"
    )
    corner = f"sheet {design.sheet}, seed {design.seed}"
    return _sheet(title, "for who plays the test", corner, body, rights)


def _sheet(title: str, kind: str, corner: str, body: str, rights: str) -> str:
    style = f"{font_faces()}\n{asset('page.css')}\n{asset('sheet.css')}"
    said = f"Rights: {rights}." if rights else "Rights: not stated."
    return Template(asset("sheet.html")).substitute(
        policy=content_policy(style=style),
        generator=f"retune {__version__}",
        title=show(title),
        style=style,
        kind=kind,
        corner=corner,
        body=body,
        foot=show(f"All versions but the original are altered with retune. {said}"),
    )
