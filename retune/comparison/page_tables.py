"""The tables and lists of a comparison page: endings, other changes, what follows."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from retune.carriers.changes import Edit, Plan, Verdict
from retune.carriers.heard import Analysis, Chord
from retune.comparison.consequence_words import Told, all_told
from retune.comparison.difference import cents_words, difference_words
from retune.comparison.endings import PhraseEnding, chord_after, phrase_endings
from retune.comparison.html import show
from retune.comparison.page_input import PageInput, Version
from retune.comparison.picture_words import cadence_words, chord_name, over_words, roman_shown
from retune.song.bartime import judged_bar
from retune.song.moved import move_words

_SIGNS = {
    "at rest": '<path class="fill" d="M1 1H11V11H1Z"/>',
    "partly at rest": '<path class="edge" d="M6 .5L11.5 6L6 11.5L.5 6Z"/>'
    '<path class="fill" d="M.5 6H11.5L6 11.5Z"/>',
    "open": '<circle class="edge" cx="6" cy="6" r="4.7"/>',
}
STATES = tuple(_SIGNS)
"""The words of how a phrase ends that have a sign."""
_SPARE = ' class="spare"'  # a column that a narrow page leaves out
_DASH = '<svg viewBox="0 0 12 12" aria-hidden="true"><path d="M1 6H11" stroke-width="1.4"/></svg>'
_TRIANGLE = (
    '<svg class="warn" viewBox="0 0 12 12" aria-hidden="true">'
    '<path d="M6 1L11.4 11H.6Z" stroke-width="1.5"/>'
    '<path d="M6 4.4V7.6M6 8.6V9.8" stroke-width="1.4"/></svg>'
)


def sign(state: str | None) -> str:
    """The sign of an ending for a line of text."""
    if state is None:
        return ""
    return f'<svg class="sign" viewBox="0 0 12 12" aria-hidden="true">{_SIGNS[state]}</svg>'


def endings_table(page: PageInput) -> str:
    """Every phrase ending in the original, and what each variant makes of it."""
    rows = phrase_endings(page.analysis)
    if not rows:
        return '<p class="quiet">No phrases were found.</p>'
    changed = [(v, phrase_endings(page.analysis, v.plan)) for v in page.variants]
    head = ["Phrase", "Bar", "Degree", "Over", "Role", "Original"]
    spare = ("Bar", "Role")
    cells = [f'<th scope="col"{_SPARE if word in spare else ""}>{word}</th>' for word in head]
    cells += [f'<th scope="col" class="v">{show(v.name)}</th>' for v, _ in changed]
    body = "\n".join(
        _ending_row(page.analysis, row, [after[k] for _, after in changed])
        for k, row in enumerate(rows)
    )
    return (
        '<div class="wide" tabindex="0" role="region" aria-label="How each phrase ends">'
        f'<table><caption class="hide">How each phrase ends</caption>'
        f"<thead><tr>{''.join(cells)}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def _ending_row(analysis: Analysis, row: PhraseEnding, after: Sequence[PhraseEnding]) -> str:
    note, chord = row.note, row.chord
    over = "–"
    if chord is not None and chord.root_pc >= 0:
        over = _chord(chord)
    degree = f"<b>{show(row.degree)}</b> " if row.degree else ""
    cells = [
        _bar_words(
            analysis,
            judged_bar(note, analysis.bars) if note else None,
            note.start_s if note else row.phrase.end_s,
        ),
        f'<span class="num">{degree}{show(note.name) if note else "–"}</span>'
        + ('<br><span class="small">in doubt</span>' if note and note.is_doubtful else ""),
        over,
        show(note.chord_role or "–") if note else "–",
        f"{sign(row.state)}{escape(row.state or 'unknown')}{_cadence(row)}",
        *(_after_cell(ending) for ending in after),
    ]
    data = "".join(
        f"<td{_SPARE if place in (0, 3) else ''}>{cell}</td>" for place, cell in enumerate(cells)
    )
    return f'<tr><th scope="row">{row.number}</th>{data}</tr>'


def _cadence(row: PhraseEnding) -> str:
    words = cadence_words(row.phrase.cadence)
    return f'<br><span class="quiet">{escape(words)}</span>' if words else ""


def _new_cadence(ending: PhraseEnding) -> str:
    """The cadence of a variant where it is another."""
    if ending.cadence_after in (None, ending.phrase.cadence):
        return ""
    words = cadence_words(ending.cadence_after) or "no cadence"
    return f'<br><span class="quiet">{escape(words)}</span>'


def _after_cell(ending: PhraseEnding) -> str:
    if not ending.is_changed:
        return '<span class="quiet">as sung</span>'
    words = f"{sign(ending.state_after)}{escape(ending.words_after)}{_new_cadence(ending)}"
    if not ending.is_moved:
        over = show(over_words(ending))
        return f'as sung, <b class="v">{over}</b><br><b class="v">{words}</b>'
    move = show(ending.move_words)
    name = show(ending.name_after or "")
    over = f" {show(over_words(ending))}" if ending.has_new_chord else ""
    return f'<b class="v">{move} {name}{over}</b><br><b class="v">{words}</b>'


def _bar_words(analysis: Analysis, bar: int | None, time_s: float) -> str:
    if bar is None:
        return f"{time_s:.1f} s"
    return "pickup" if bar == 0 else str(bar)


def rules_list(version: Version) -> str:
    """The rules of a variant as typed, one a line."""
    plan = version.plan
    if plan is None or not plan.rules:
        return ""
    items = "".join(f"<li>{show(rule)}</li>" for rule in plan.rules)
    return f'<ol class="rules">{items}</ol>'


def edits_table(page: PageInput, version: Version) -> str:
    """Every edit of a variant: from, to, by how much, over which chord, its role."""
    plan = version.plan
    if plan is None or not plan.edits:
        return '<p class="quiet">This variant moves nothing.</p>'
    edits = plan.edits
    several = len({edit.stem for edit in edits}) > 1 or len(page.analysis.stems) > 1
    judged = {edit: _verdict_of(version, edit) for edit in edits}
    is_judged = any(verdict is not None for verdict in judged.values())
    head = ["Bar", *(["Stem"] if several else []), "From, to", "Over", "Role"]
    head += ["In the mix"] if is_judged else []
    cells = "".join(f'<th scope="col">{word}</th>' for word in head)
    body = "\n".join(
        _edit_row(
            page.analysis,
            plan,
            edit,
            several=several,
            last=_verdict_cell(verdict) if is_judged else "",
        )
        for edit, verdict in judged.items()
    )
    name = show(version.name)
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="Edits of {name}"><table>'
        f'<caption class="hide">Edits of {name}</caption>'
        f"<thead><tr>{cells}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def differences_table(page: PageInput) -> str:
    """Each edit as made from the mix beside the same edit made from stems, measured."""
    head = ("Variant", "Bar", "From, to", "Pitch apart", "Spectra apart", "Before", "Verdict")
    cells = "".join(f'<th scope="col">{word}</th>' for word in head)
    body = "\n".join(
        f'<tr><th scope="row">{show(row.name)}</th>'
        f"<td>{_bar_words(page.analysis, row.edit.bar, row.edit.start_s)}</td>"
        f'<td class="num">{show(row.edit.from_name or "")} → '
        f'<b class="v">{show(row.edit.to_name or "")}</b></td>'
        f'<td class="num">{cents_words(row.pitch_cents)}</td>'
        f'<td class="num">{row.log_spectral_db:.1f} dB</td>'
        f'<td class="num quiet">{row.before_db:.1f} dB</td>'
        f"<td>{show(row.word or 'not judged')}</td></tr>"
        for row in page.differences
    )
    said = "".join(f"<p>{show(words)}.</p>" for words in difference_words(page.differences))
    return (
        '<p class="lede">The same rules, made once from the full mix and once from stems. Switch '
        "between the two above: they are matched in level and lie on one clock.</p>"
        f"{said}"
        '<div class="wide" tabindex="0" role="region" aria-label="From the mix and from stems">'
        '<table><caption class="hide">Difference of each edit made two ways</caption>'
        f"<thead><tr>{cells}</tr></thead><tbody>{body}</tbody></table></div>"
        '<p class="small quiet">Pitch apart: the median over the moved note. Spectra apart: '
        "log-spectral distance, 50 Hz to 8 kHz, over the moved note. Before: the original beside "
        "the version from stems, so what would remain if nothing were done.</p>"
    )


def _verdict_of(version: Version, edit: Edit) -> Verdict | None:
    return next((verdict for verdict in version.verdicts if verdict.is_of(edit)), None)


def _verdict_cell(verdict: Verdict | None) -> str:
    """The word of a verdict, with a sign where it says no, and why."""
    if verdict is None:
        return '<td class="quiet">not judged</td>'
    word = f"<b>{show(verdict.word)}</b>"
    if verdict.word == "do not use":
        word = f'{_TRIANGLE}<b class="warn">{show(verdict.word)}</b>'
    return f'<td>{word}<br><span class="small quiet">{show(verdict.text)}</span></td>'


def _doubt_words(analysis: Analysis, edit: Edit) -> str:
    """That the note which moves is itself in doubt, and why."""
    stem = analysis.stems.get(edit.stem)
    if stem is None or edit.note is None or edit.note > len(stem.notes):
        return ""
    doubt = stem.note(edit.note).doubt_words
    return f'<br><span class="small">In doubt: {show(doubt)}</span>' if doubt else ""


def _chord(chord: Chord) -> str:
    return f"<b>{show(roman_shown(chord))}</b> {show(chord_name(chord))}".removeprefix("<b></b> ")


def _edit_row(analysis: Analysis, plan: Plan, edit: Edit, *, several: bool, last: str) -> str:
    if edit.from_name and edit.to_name:
        move = f'{show(edit.from_name)} → <b class="v">{show(edit.to_name)}</b>'
    else:
        move = f"{edit.start_s:.1f} s to {edit.end_s:.1f} s"
    degrees = ""
    if edit.from_degree and edit.to_degree:
        degrees = f"{show(edit.from_degree)} → {show(edit.to_degree)}, "
    at_s = (edit.start_s + edit.end_s) / 2
    chord, later = analysis.chord_at(at_s), chord_after(analysis, plan, at_s)
    over = show(edit.chord or "–")
    if chord is not None and chord.root_pc >= 0:
        over = _chord(chord)
    if later != chord:
        over += f' → <span class="v">{_chord(later) if later else "a new sonority"}</span>'
    role = show(edit.role_before or "–")
    if edit.role_after and edit.role_after != edit.role_before:
        role += f' → <b class="v">{show(edit.role_after)}</b>'
    stem = f"<td>{show(edit.stem)}</td>" if several else ""
    by = [interval_words(edit.shift_cents)] if edit.shift_cents or not edit.moves_in_time else []
    by += [move_words(edit, analysis.bars)] if edit.moves_in_time else []
    return (
        f'<tr><th scope="row">{_bar_words(analysis, edit.bar, edit.start_s)}</th>{stem}'
        f'<td><span class="num">{move}</span><br>'
        f'<span class="small quiet">{degrees}{", ".join(by)}</span>'
        f"{_doubt_words(analysis, edit)}</td>"
        f'<td class="num">{over}</td><td>{role}</td>{last}</tr>'
    )


def interval_words(shift_cents: float) -> str:
    """ "2 semitones down", "25 cents up"."""
    amount, unit = abs(shift_cents), "cent"
    if amount % 100 < 1e-6:
        amount, unit = amount / 100, "semitone"
    plural = "" if abs(amount - 1) < 1e-9 else "s"
    return f"{amount:.6g} {unit}{plural} {'up' if shift_cents > 0 else 'down'}"


def consequences_list(page: PageInput, version: Version) -> str:
    """What follows from a plan, and its warnings."""
    items = [_consequence(one) for one in all_told(version.plan)] if version.plan else []
    if not items:
        return '<p class="quiet">Nothing to point out.</p>'
    return f'<ul class="cons">{"".join(items)}</ul>'


def _consequence(told: Told) -> str:
    """One sentence, its place bold; a clash after its sign."""
    place, colon, rest = told.text.partition(": ")
    text = f"<b>{show(place)}:</b> {show(rest)}" if colon and len(place) < 14 else show(told.text)
    if told.is_clash:
        return f'<li class="clash">{_TRIANGLE}<span class="hide">Clash. </span>{text}</li>'
    return f"<li>{_DASH}{text}</li>"


def plain_list(lines: Sequence[str]) -> str:
    """Sentences as a list with dashes."""
    return "".join(f"<li>{_DASH}{show(line)}</li>" for line in lines)
