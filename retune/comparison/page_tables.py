"""The tables and lists of a comparison page: endings, other changes, what follows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from retune.carriers.changes import Edit, Plan, Verdict
from retune.carriers.heard import Analysis, Chord
from retune.comparison.consequence_words import Told, all_told
from retune.comparison.difference import cents_words, difference_words
from retune.comparison.endings import PhraseEnding, chord_after, phrase_endings
from retune.comparison.html import filled
from retune.comparison.page_input import PageInput, Version
from retune.comparison.picture_words import cadence_words, chord_name, over_words, roman_shown
from retune.song.bartime import judged_bar
from retune.song.moved import move_words


@dataclass(frozen=True)
class _After:
    """What a variant makes of an ending, in words."""

    is_changed: bool
    is_moved: bool
    move: str
    name: str
    over: str
    state: str | None
    words: str
    cadence: str


@dataclass(frozen=True)
class _EndingRow:
    """How one phrase ends, in words, and what each variant makes of it."""

    number: int
    bar: str
    degree: str
    note: str
    is_doubtful: bool
    over: tuple[str, str]
    role: str
    state: str | None
    cadence: str
    after: tuple[_After, ...]


def endings_table(page: PageInput) -> Markup:
    """Every phrase ending in the original, and what each variant makes of it."""
    changed = [phrase_endings(page.analysis, variant.plan) for variant in page.variants]
    rows = [
        _ending_row(page.analysis, row, [after[k] for after in changed])
        for k, row in enumerate(phrase_endings(page.analysis))
    ]
    return filled("endings.html", rows=rows, variants=[v.name for v in page.variants])


def _ending_row(analysis: Analysis, row: PhraseEnding, after: Sequence[PhraseEnding]) -> _EndingRow:
    note = row.note
    return _EndingRow(
        number=row.number,
        bar=_bar_words(
            analysis,
            judged_bar(note, analysis.bars) if note else None,
            note.start_s if note else row.phrase.end_s,
        ),
        degree=row.degree or "",
        note=note.name if note else "–",
        is_doubtful=note is not None and note.is_doubtful,
        over=_over(row.chord, "–"),
        role=(note.chord_role if note else None) or "–",
        state=row.state,
        cadence=cadence_words(row.phrase.cadence),
        after=tuple(map(_after, after)),
    )


def _after(ending: PhraseEnding) -> _After:
    has_over = ending.has_new_chord or not ending.is_moved
    return _After(
        is_changed=ending.is_changed,
        is_moved=ending.is_moved,
        move=ending.move_words if ending.is_moved else "",
        name=ending.name_after or "",
        over=over_words(ending) if ending.is_changed and has_over else "",
        state=ending.state_after,
        words=ending.words_after,
        cadence=_new_cadence(ending),
    )


def _new_cadence(ending: PhraseEnding) -> str:
    """The cadence of a variant where it is another."""
    if ending.cadence_after in (None, ending.phrase.cadence):
        return ""
    return cadence_words(ending.cadence_after) or "no cadence"


def _bar_words(analysis: Analysis, bar: int | None, time_s: float) -> str:
    if bar is None:
        return f"{time_s:.1f} s"
    return "pickup" if bar == 0 else str(bar)


def changes(page: PageInput, version: Version) -> Markup:
    """Rules as typed, edits, and what follows from them."""
    plan = version.plan
    return filled(
        "changes.html",
        rules=plan.rules if plan is not None else (),
        edits=edits_table(page, version),
        told=[_placed(one) for one in all_told(plan)] if plan is not None else [],
    )


def _placed(told: Told) -> dict[str, object]:
    """One sentence and, apart from it, the place that it begins with."""
    place, colon, rest = told.text.partition(": ")
    if not colon or len(place) >= 14:
        place, rest = "", told.text
    return {"is_clash": told.is_clash, "place": place, "text": rest}


def edits_table(page: PageInput, version: Version) -> Markup:
    """Every edit of a variant: from, to, by how much, over which chord, its role."""
    plan = version.plan
    edits = plan.edits if plan is not None else ()
    verdicts = [_verdict_of(version, edit) for edit in edits]
    return filled(
        "edits.html",
        name=version.name,
        rows=[
            _edit_row(page.analysis, plan, edit, verdict)
            for edit, verdict in zip(edits, verdicts, strict=True)
            if plan is not None
        ],
        with_stem=len({edit.stem for edit in edits}) > 1 or len(page.analysis.stems) > 1,
        is_judged=any(verdict is not None for verdict in verdicts),
    )


def differences_table(page: PageInput) -> Markup:
    """Each edit as made from the mix beside the same edit made from stems, measured."""
    rows = [
        {
            "name": row.name,
            "bar": _bar_words(page.analysis, row.edit.bar, row.edit.start_s),
            "from_name": row.edit.from_name or "",
            "to_name": row.edit.to_name or "",
            "pitch": cents_words(row.pitch_cents),
            "spectra": f"{row.log_spectral_db:.1f} dB",
            "before": f"{row.before_db:.1f} dB",
            "verdict": row.word or "not judged",
        }
        for row in page.differences
    ]
    return filled("differences.html", rows=rows, said=difference_words(page.differences))


def _verdict_of(version: Version, edit: Edit) -> Verdict | None:
    return next((verdict for verdict in version.verdicts if verdict.is_of(edit)), None)


def _doubt_words(analysis: Analysis, edit: Edit) -> str:
    """Why the note which moves is itself in doubt; "" where it is not."""
    stem = analysis.stems.get(edit.stem)
    if stem is None or edit.note is None or edit.note > len(stem.notes):
        return ""
    return stem.note(edit.note).doubt_words or ""


def _over(chord: Chord | None, otherwise: str) -> tuple[str, str]:
    """The numeral of a chord, "" where it has none, and its name."""
    if chord is None or chord.root_pc < 0:
        return "", otherwise
    return roman_shown(chord), chord_name(chord)


@dataclass(frozen=True)
class _EditRow:
    """One edit in words; `names` is None where a stretch moves and no note."""

    bar: str
    stem: str
    names: tuple[str, str] | None
    span: str
    how: str
    doubt: str
    over: tuple[str, str]
    over_after: tuple[str, str] | None
    role: str
    role_after: str
    verdict: Verdict | None


def _edit_row(analysis: Analysis, plan: Plan, edit: Edit, verdict: Verdict | None) -> _EditRow:
    at_s = (edit.start_s + edit.end_s) / 2
    chord, later = analysis.chord_at(at_s), chord_after(analysis, plan, at_s)
    how = []
    if edit.from_degree and edit.to_degree:
        how.append(f"{edit.from_degree} → {edit.to_degree}")
    if edit.shift_cents or not edit.moves_in_time:
        how.append(interval_words(edit.shift_cents))
    if edit.moves_in_time:
        how.append(move_words(edit, analysis.bars))
    has_names = edit.from_name and edit.to_name
    return _EditRow(
        bar=_bar_words(analysis, edit.bar, edit.start_s),
        stem=edit.stem,
        names=(edit.from_name or "", edit.to_name or "") if has_names else None,
        span=f"{edit.start_s:.1f} s to {edit.end_s:.1f} s",
        how=", ".join(how),
        doubt=_doubt_words(analysis, edit),
        over=_over(chord, edit.chord or "–"),
        over_after=_over(later, "a new sonority") if later != chord else None,
        role=edit.role_before or "–",
        role_after=edit.role_after or "" if edit.role_after != edit.role_before else "",
        verdict=verdict,
    )


def interval_words(shift_cents: float) -> str:
    """ "2 semitones down", "25 cents up"."""
    amount, unit = abs(shift_cents), "cent"
    if amount % 100 < 1e-6:
        amount, unit = amount / 100, "semitone"
    plural = "" if abs(amount - 1) < 1e-9 else "s"
    return f"{amount:.6g} {unit}{plural} {'up' if shift_cents > 0 else 'down'}"
