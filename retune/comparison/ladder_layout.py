"""What stands in a ladder of endings, and where: rows, columns and scales."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from retune.carriers.changes import Plan
from retune.carriers.heard import Analysis, Chord, Note
from retune.comparison.endings import PhraseEnding, phrase_endings
from retune.comparison.picture_style import text_width
from retune.comparison.picture_words import section_names

# Heights and widths in `f`, the text size.
ROW, LINE, _WORDS, _GROUP_GAP = 5.6, 3.2, 1.25, 0.7
_LABEL, _CHORDS, _COLUMN = 5.2, 7.6, 8.4
_BARE_LABEL, _AFTER_LABEL = 2.2, 0.8
# Of a brief ladder, whose every line of text is large: no words of the song, all facts in one line.
BRIEF_ROW, _BRIEF_LINE, _BRIEF_CHORDS, _BRIEF_COLUMN = 2.3, 1.7, 7.0, 9.0
HEAD = 1.9  # over the rows


@dataclass(frozen=True, eq=False)
class Row:
    """A phrase of the ladder: its notes, and how it ends before and after the plan."""

    ending: PhraseEnding
    notes: tuple[Note, ...]
    chords: tuple[Chord, ...]
    section: str

    @property
    def label(self) -> str:
        """The number of the phrase, and the letter of its kind."""
        return f"{self.ending.number} {self.ending.phrase.alike}".strip()

    @property
    def from_s(self) -> float:
        """Where the ending begins, by which rows are aligned."""
        return self.ending.note.start_s if self.ending.note else self.notes[-1].start_s


@dataclass(frozen=True)
class Sheet:
    """Sizes of a ladder. Columns of the variant and of chords stand where there is room."""

    f: float
    width: float
    low: int
    high: int
    before_s: float
    after_s: float
    has_chords: bool
    n_columns: int
    brief: bool = False
    has_short_names: bool = False  # of cadences
    label_width: float = 0.0  # of the widest number and letter, in `f`

    @property
    def is_narrow(self) -> bool:
        return self.width < 46 * self.f

    @property
    def row(self) -> float:
        """Height of a row."""
        return (BRIEF_ROW if self.brief else ROW) * self.f

    @property
    def line(self) -> float:
        """Height of the line of notes in it."""
        return (_BRIEF_LINE if self.brief else LINE) * self.f

    @property
    def left(self) -> float:
        return max(_BARE_LABEL if self.is_narrow else _LABEL, self.label_width) * self.f

    @property
    def columns_x(self) -> float:
        wide = _BRIEF_COLUMN if self.brief else 3.6 if self.is_narrow else _COLUMN
        return self.width - self.n_columns * wide * self.f

    @property
    def column_width(self) -> float:
        return (self.width - self.columns_x) / max(self.n_columns, 1)

    @property
    def chords_x(self) -> float:
        wide = _BRIEF_CHORDS if self.brief else 4.4 if self.is_narrow else _CHORDS
        return self.columns_x - (wide * self.f if self.has_chords else 0.0)

    def x(self, from_ending_s: float) -> float:
        room = self.chords_x - self.left - 0.8 * self.f
        return self.left + (from_ending_s + self.before_s) / (self.before_s + self.after_s) * room

    def y(self, top: float, midi: float) -> float:
        share = (self.high - midi + 0.5) / (self.high - self.low + 1)
        return top + share * self.line


def ladder_rows(analysis: Analysis, plan: Plan | None = None) -> list[PhraseEnding]:
    """The endings in the order of the ladder: phrases that are alike together."""
    found = [ending for ending in phrase_endings(analysis, plan) if ending.note is not None]
    kinds = list(dict.fromkeys(_letter(ending) for ending in found))
    return sorted(found, key=lambda ending: (kinds.index(_letter(ending)), ending.number))


def in_pages(endings: Sequence[PhraseEnding], *, most: int) -> list[list[int]]:
    """The phrases of a ladder on pages of at most that many rows, of about as many each."""
    numbers = [ending.number for ending in endings]
    pages = -(-len(numbers) // most)
    share = -(-len(numbers) // max(pages, 1))
    return [numbers[k * share : (k + 1) * share] for k in range(pages)]


def _letter(ending: PhraseEnding) -> str:
    return ending.phrase.alike.rstrip("'")


def rows_of(analysis: Analysis, plan: Plan | None) -> list[Row]:
    """One row a phrase, as sung or as a plan has it."""
    stem, rows = analysis.melody, []
    names = section_names(analysis.sections)
    for ending in ladder_rows(analysis, plan):
        notes = tuple(n for n in stem.notes if n.phrase == ending.number) if stem else ()
        at_s = ending.phrase.start_s + 1e-3
        held = [k for k, s in enumerate(analysis.sections) if s.start_s <= at_s < s.end_s]
        section = names[held[0]] if held else ""
        if notes:
            rows.append(Row(ending, notes, _last_chords(analysis, ending), section))
    return rows


def _last_chords(analysis: Analysis, ending: PhraseEnding) -> tuple[Chord, ...]:
    """The chord of an ending and the one before it that differs."""
    last = ending.chord
    if last is None or last.root_pc < 0:
        return ()
    before = [c for c in analysis.chords if c.end_s <= last.start_s + 1e-6]
    before = [c for c in before if c.label != last.label]
    since_s = ending.phrase.start_s
    return (*(c for c in before[-1:] if c.end_s > since_s and c.root_pc >= 0), last)


def sheet_of(
    rows: Sequence[Row],
    analysis: Analysis,
    plan: Plan | None,
    *,
    width: float,
    f: float,
    brief: bool,
) -> Sheet:
    """Where the columns of the ladder stand on a sheet of this width."""
    stem = analysis.melody
    own = [e for e in plan.edits if stem and e.stem == stem.name] if plan is not None else []
    labels = max(text_width(row.label, f) for row in rows) / f
    moved = [round(e.shift_cents / 100) for e in own]
    pitches = [note.midi_name for row in rows for note in row.notes]
    low, high = min(pitches) + min([0, *moved]), max(pitches) + max([0, *moved])
    sheet = Sheet(
        f=f,
        width=width,
        low=low,
        high=max(high, low + 7),
        before_s=max(row.from_s - row.notes[0].start_s for row in rows),
        after_s=max(row.notes[-1].end_s - row.from_s for row in rows),
        has_chords=bool(analysis.chords),
        n_columns=2 if plan is not None else 1,
        brief=brief,
        label_width=labels + _AFTER_LABEL,
    )
    names = (row.ending.phrase.cadence or "" for row in rows)
    room = sheet.columns_x - sheet.chords_x - 0.2 * f
    is_short = any(text_width(name, 0.84 * f) > room for name in names)
    return replace(sheet, has_short_names=is_short)


def tops_of(rows: Sequence[Row], first: float, sheet: Sheet) -> list[float]:
    """The top of every row, a little apart where another kind of phrase begins."""
    tops, y = [], first
    gap = 0.0 if sheet.brief else _GROUP_GAP * sheet.f
    for k, row in enumerate(rows):
        if k and _letter(row.ending) != _letter(rows[k - 1].ending):
            y += gap
        tops.append(y)
        y += sheet.row
    return tops
