"""The ladder of endings: one phrase a row, the rows aligned at their endings, as SVG text.

A bird's-eye sheet of a song. Phrases that are alike stand together; each row has the line of its
notes over the tonic, the words beneath, the last two chords and the cadence, and at the right edge
the degree it ends on, so that the endings read downwards; those of a variant beside them.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from html import escape

from retune.carriers.changes import Edit, Plan
from retune.carriers.errors import UsageError
from retune.carriers.heard import Analysis, Note
from retune.carriers.text import pretty
from retune.comparison.endings import phrase_endings
from retune.comparison.ladder_layout import HEAD, Row, Sheet, rows_of, sheet_of, tops_of
from retune.comparison.picture_line import edit_of_note
from retune.comparison.picture_lyrics import HELD, words_in_row
from retune.comparison.picture_style import (
    THEMES,
    font_faces,
    n_fitting,
    style_sheet,
    text_width,
    title_lines,
    wrapped,
)
from retune.comparison.picture_words import (
    CADENCES_IN_SHORT,
    alternative_text,
    cadence_words,
    chord_name,
    over_words,
    roman_shown,
)
from retune.comparison.svg import Pen
from retune.theory.pitchnames import pitch_class_of

_TITLE_LINE = 1.9  # f


def ladder_svg(
    analysis: Analysis,
    plan: Plan | None = None,
    *,
    width: float = 1280.0,
    font: float = 18.0,
    theme: str = "light",
    title: str | None = None,
    variant_name: str | None = None,
    quiz: bool = False,
    phrases: Collection[int] | None = None,
    brief: bool = False,
    embed_fonts: bool = True,
    ident: str = "ladder",
) -> str:
    """The ladder of endings of the melody of `analysis`, and of `plan` beside it.

    Parameters are those of `lane_svg`; a `quiz` leaves lines for how each phrase ends, `phrases`
    are the only ones shown, a `brief` ladder has no words of the song and no chord names, so that
    all of it can be read from far.

    Raises
    ------
    UsageError
        There is no phrase, the theme does not exist, or the width leaves no room.
    """
    if theme not in THEMES:
        raise UsageError(f'theme "{theme}" does not exist; give one of {", ".join(THEMES)}')
    if width < 22 * font:
        raise UsageError(f"width {width:g} is too narrow; give at least {22 * font:g}")
    shown = None if quiz else plan
    whole = rows_of(analysis, shown)
    rows = [row for row in whole if phrases is None or row.ending.number in phrases]
    if not rows:
        raise UsageError("no phrase was found, so there is no ladder of endings")
    # All pages of a long ladder have one scale.
    sheet = sheet_of(whole, analysis, shown, width=width, f=font, brief=brief)
    titles = title_lines(title, width, font)
    head = (0.2 + _TITLE_LINE * len(titles)) * font
    heights = tops_of(rows, head + HEAD * font, sheet)
    height = heights[-1] + sheet.row
    pen = Pen()
    name = variant_name or (plan.name if plan else "")
    _open(pen, analysis, shown, (width, height), (theme, font, ident), name, quiz, embed_fonts)
    for number, line in enumerate(titles):
        pen.text(0.2 * font, (1.5 + _TITLE_LINE * number) * font, line, "title")
    _heads(pen, sheet, head, name if shown else "", quiz=quiz)
    for row, top in zip(rows, heights, strict=True):
        with pen.group("rung", phrase=row.ending.number):
            _draw_row(pen, sheet, row, top, analysis, shown, quiz=quiz)
    pen.raw("</svg>")
    return str(pen)


def _open(
    pen: Pen,
    analysis: Analysis,
    plan: Plan | None,
    size: tuple[float, float],
    look: tuple[str, float, str],
    name: str,
    quiz: bool,
    embed_fonts: bool,
) -> None:
    (width, height), (theme, font, ident) = size, look
    endings = phrase_endings(analysis, plan)
    told = alternative_text(analysis, endings, plan, variant_name=name, quiz=quiz)
    pen.raw(
        f'<svg xmlns="http://www.w3.org/2000/svg" class="{ident}" role="img" '
        f'viewBox="0 0 {width:g} {height:.0f}" width="{width:g}" height="{height:.0f}" '
        f'aria-labelledby="{ident}-t {ident}-d">'
    )
    pen.raw(f'<title id="{ident}-t">{escape(analysis.title)}: the ladder of endings</title>')
    pen.raw(f'<desc id="{ident}-d">{escape(told[1])}</desc>')
    if theme != "page":
        fonts = font_faces() if embed_fonts else ""
        pen.raw(f"<style>{fonts}{style_sheet(font, theme=theme, scope=ident)}</style>")
        pen.rect(0, 0, width, height, "ground")


def _heads(pen: Pen, sheet: Sheet, y: float, variant: str, *, quiz: bool) -> None:
    """The names of the columns over a line."""
    f, base = sheet.f, y + 0.9 * sheet.f
    pen.text(0.2 * f, base, "phrase" if sheet.brief or not sheet.is_narrow else "", "sk")
    if sheet.has_chords and not quiz:
        told = "chords" if sheet.is_narrow and not sheet.brief else "last chords"
        pen.text(sheet.chords_x, base, told, "sk")
    pen.text(sheet.columns_x, base, "as sung", "sk b")
    x = sheet.columns_x + sheet.column_width
    if variant and text_width(variant, 0.84 * f, bold=True) <= sheet.column_width:
        pen.text(x, base, variant, "sk v b")
    elif variant:  # a long name begins over the column before
        room = 2 * sheet.column_width - text_width("as sung", 0.84 * f, bold=True) - f
        short = _cut(variant, room, f)
        told = short if 2 * len(short) > len(variant) else "variant"
        pen.text(sheet.width, base, told, "sk v b", anchor="end")
    pen.line(0, base + 0.45 * f, sheet.width, base + 0.45 * f, "end")


def _cut(text: str, room: float, f: float) -> str:
    while text and text_width(text, 0.84 * f, bold=True) > room:
        text = text[:-2].rstrip() + "…" if len(text) > 2 else ""
    return text


def _draw_row(
    pen: Pen,
    sheet: Sheet,
    row: Row,
    top: float,
    analysis: Analysis,
    plan: Plan | None,
    *,
    quiz: bool,
) -> None:
    _draw_label(pen, sheet, row, top)
    _draw_home(pen, sheet, row, top, analysis)
    _draw_line(pen, sheet, row, top, analysis, plan)
    if not sheet.brief:
        _draw_text(pen, sheet, row, top)
    if row.chords and not quiz:
        _draw_chords(pen, sheet, row, top)
    _draw_endings(pen, sheet, row, top, with_variant=plan is not None, quiz=quiz)


def _draw_label(pen: Pen, sheet: Sheet, row: Row, top: float) -> None:
    f, y = sheet.f, top + 0.5 * sheet.line
    pen.text(0.2 * f, y + 0.3 * f, row.label, "i")
    if row.section and not sheet.is_narrow:
        pen.text(0.2 * f, y + 1.5 * f, _cut(row.section, sheet.left - 0.4 * f, f), "s")


def _draw_home(pen: Pen, sheet: Sheet, row: Row, top: float, analysis: Analysis) -> None:
    """The tonic as a rule through the row, and a thin upright where the ending begins."""
    f, key = sheet.f, analysis.key_at(row.from_s)
    right = sheet.chords_x - 0.8 * f
    if key is not None:
        home = pitch_class_of(key.tonic)
        for midi in range(sheet.low, sheet.high + 1):
            if midi % 12 == home:
                y = sheet.y(top, midi)
                pen.line(sheet.left, y, right, y, "hair")
    x = sheet.x(0.0) - 0.12 * f
    pen.line(x, top - 0.1 * f, x, top + sheet.line + 0.2 * f, "bar")


def _draw_line(
    pen: Pen, sheet: Sheet, row: Row, top: float, analysis: Analysis, plan: Plan | None
) -> None:
    """The notes as strokes joined by thin lines; what the plan moves dashed, at its new pitch."""
    stem = analysis.melody
    own = [e for e in plan.edits if stem and e.stem == stem.name] if plan is not None else []
    points: list[tuple[float, float]] = []
    for note in row.notes:
        x1, x2 = sheet.x(note.start_s - row.from_s), sheet.x(note.end_s - row.from_s)
        y = sheet.y(top, note.midi_name)
        points += [(x1, y), (x2, y)]
    pen.path(points, "glide")
    for note in row.notes:
        _draw_note(pen, sheet, row, top, note, edit_of_note(note, own))


def _draw_note(pen: Pen, sheet: Sheet, row: Row, top: float, note: Note, edit: Edit | None) -> None:
    x1, x2 = sheet.x(note.start_s - row.from_s), sheet.x(note.end_s - row.from_s)
    y = sheet.y(top, note.midi_name)
    pen.line(x1, y, x2, y, "was" if edit is not None else "body")
    if edit is None:
        return
    start_s, end_s = edit.span_after if edit.moves_in_time else (note.start_s, note.end_s)
    new_y = sheet.y(top, note.midi_name + edit.shift_cents / 100)
    pen.line(sheet.x(start_s - row.from_s), new_y, sheet.x(end_s - row.from_s), new_y, "new")


def _draw_text(pen: Pen, sheet: Sheet, row: Row, top: float) -> None:
    f = sheet.f
    sung = [
        (n, sheet.x(n.start_s - row.from_s), sheet.x(n.end_s - row.from_s))
        for n in row.notes
        if n.lyric
    ]
    right = sheet.chords_x - 0.5 * f
    y = top + sheet.line + 1.05 * f
    placed = words_in_row(sung, sheet.left, right, f)
    for text, x in placed or ():
        pen.text(x, y, text, "ly")
    if placed is None:
        syllables = [n.lyric or "" for n, _, _ in sung if n.lyric != HELD]
        words = re.sub(r"- (?=\S)", "", " ".join(syllables))
        room, last = right - sheet.left, words.split(" ")[::-1]
        if len(last) > 1 and n_fitting(last, room, 0.9 * f) < len(last):
            count = n_fitting(last, room - text_width("… ", 0.9 * f), 0.9 * f)
            words = "… " + " ".join(last[:count][::-1])
        pen.text(right, y, words, "ly", anchor="end")


def _draw_chords(pen: Pen, sheet: Sheet, row: Row, top: float) -> None:
    """The last two chords, and what cadence they make."""
    f, y = sheet.f, top + 0.5 * sheet.line
    romans = " – ".join(filter(None, (roman_shown(chord) for chord in row.chords)))
    names = " – ".join(chord_name(chord) for chord in row.chords)
    room = sheet.columns_x - sheet.chords_x
    cadence = row.ending.phrase.cadence
    if sheet.brief:
        short = CADENCES_IN_SHORT.get(cadence or "", "")
        romans = romans or names
        if short and text_width(f"{romans}  {short}", f, bold=True) < room:
            after = sheet.chords_x + text_width(f"{romans}  ", f, bold=True)
            pen.text(after, y + 0.3 * f, short, "i")
        pen.text(sheet.chords_x, y + 0.3 * f, romans, "b")
        return
    size = f if text_width(romans, f, bold=True) < room else 0.84 * f
    pen.text(sheet.chords_x, y + 0.3 * f, romans or names, "b" if size == f else "sk b")
    if romans:
        pen.text(sheet.chords_x, y + 1.4 * f, names, "s")
    if cadence not in (None, "none"):
        short = CADENCES_IN_SHORT.get(cadence or "", "")
        told = short if sheet.has_short_names else cadence_words(cadence).removesuffix(" cadence")
        pen.text(sheet.chords_x, y - 0.95 * f, told, "sk i")


def _draw_endings(
    pen: Pen, sheet: Sheet, row: Row, top: float, *, with_variant: bool, quiz: bool
) -> None:
    f, e = sheet.f, row.ending
    y = top + 0.5 * sheet.line + 0.3 * f
    x = sheet.columns_x
    as_sung = e.degree or (e.note.name if e.note is not None else "")
    if quiz:
        pen.text(x, y + 0.2 * f, pretty(as_sung), "title")
        pen.line(x + 1.6 * f, y + 0.3 * f, sheet.width - 0.2 * f, y + 0.3 * f, "end")
        return
    _one(pen, sheet, x, y, (as_sung, e.state, e.state or ""), "")
    if with_variant:
        x += sheet.column_width
        if e.is_changed:
            degree = e.degree_after or (e.name_after if e.is_moved else as_sung)
            over = f"{over_words(e)}: " if e.has_new_chord and e.state_after else ""
            _one(pen, sheet, x, y, (degree, e.state_after, over + e.words_after), "v")
        else:
            _one(pen, sheet, x, y, (as_sung, e.state, ""), "")


def _one(
    pen: Pen,
    sheet: Sheet,
    x: float,
    y: float,
    told: tuple[str | None, str | None, str],
    css: str,
) -> None:
    """A degree large, its sign, and beneath in words how it ends."""
    f, (degree, state, words) = sheet.f, told
    shown = pretty(degree or "–")
    pen.text(x, y + 0.2 * f, shown, f"title {css}".strip())
    after = x + text_width(shown, 1.5 * f, bold=True) + 0.75 * f
    pen.ending(state, after, y - 0.3 * f, 0.42 * f, css)
    if sheet.brief:
        room = sheet.column_width - (after - x) - 0.7 * f
        pen.text(after + 0.7 * f, y, _cut(words, room, f), "sk b v" if css else "sk")
        return
    lines = wrapped(words, sheet.column_width, 0.84 * f, bold=bool(css))
    widest = max((text_width(line, 0.84 * f, bold=bool(css)) for line in lines), default=0.0)
    if len(lines) <= 2 and widest <= sheet.column_width:
        for number, line in enumerate(lines):
            pen.text(x, y + (1.4 + number) * f, line, "sk b v" if css else "s")
