"""Words under the sung line, and the names of sections over it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby

from retune.carriers.heard import Note, Section
from retune.comparison.picture_layout import System
from retune.comparison.picture_style import n_fitting, text_width
from retune.comparison.picture_words import section_names
from retune.comparison.svg import Pen

HELD = "_"
ROW = 1.15  # f, one row of words
_SIZE = 0.9  # f
_GAP = 0.22  # f between words
_PICKUP = 4.0  # f; what begins a phrase so near the end of a system is spread with what is before
_BEFORE_BAR = 0.1  # of a bar
_AWAY = 1.3  # f, the farthest that a word stands from its note


@dataclass(frozen=True)
class Word:
    """A syllable in a picture: what it says, where its note begins, where the note that it is held
    to ends, and how wide it is, in px."""

    text: str
    x: float
    until: float
    width: float


def rows_of_words(notes: Iterable[Note], *, px_a_second: float, f: float) -> int:
    """How many rows of words a picture needs: 0 without lyrics, 2 where they stand close."""
    sung = [note for note in notes if note.lyric]
    if not sung:
        return 0
    phrases = [
        _words([(n, n.start_s * px_a_second, n.end_s * px_a_second) for n in inside], f)
        for _, inside in groupby(sung, key=lambda note: note.phrase)
    ]
    phrases = [words for words in phrases if words]
    ends = [*(words[0].x for words in phrases[1:]), float("inf")]
    fits = [
        spread(words, words[0].x, end, f) is not None
        for words, end in zip(phrases, ends, strict=True)
    ]
    return 1 if all(fits) else 2


def spread(words: Sequence[Word], left: float, right: float, f: float) -> list[float] | None:
    """Where the words of one row begin, each as near to its note as the others let it; None where
    they do not fit between `left` and `right` or end up too far from their notes."""
    places: list[float] = []
    free = left
    for word in words:
        places.append(max(word.x, free))
        free = places[-1] + word.width + _GAP * f
    limit = right
    for k in range(len(words) - 1, -1, -1):
        places[k] = min(places[k], limit - words[k].width)
        limit = places[k] - _GAP * f
    if not places or places[0] < left - 0.5:
        return None
    away = max(abs(x - word.x) for x, word in zip(places, words, strict=True))
    return places if away <= _AWAY * f else None


def words_in_row(
    sung: Sequence[tuple[Note, float, float]], left: float, right: float, f: float
) -> list[tuple[str, float]] | None:
    """The syllables of notes with their ends in px, and where each stands in one row; None where
    they do not fit."""
    words = _words(sung, f)
    places = spread(words, left, right, f)
    if places is None:
        return None if words else []
    return [(word.text, x) for word, x in zip(words, places, strict=True)]


def draw_words(pen: Pen, system: System, notes: Iterable[Note]) -> None:
    """The words of one system beneath its lanes: under their notes where they fit in the rows
    there are, else as much of each phrase as there is room for."""
    f = system.layout.f
    here = [n for n in notes if n.lyric and _is_sung_in(system, n)]
    groups = [
        _words([(n, _x_of(system, n), system.x(n.end_s)) for n in inside], f)
        for _, inside in groupby(here, key=lambda note: note.phrase)
    ]
    groups = [words for words in groups if words]
    if len(groups) > 1 and system.x_end - groups[-1][0].x < _PICKUP * f:
        groups[-2:] = [groups[-2] + groups[-1]]
    lefts = [words[0].x for words in groups]
    for k, words in enumerate(groups):
        right = lefts[k + 1] - _GAP * f if k + 1 < len(groups) else system.x_end
        rows = _in_rows(words, lefts[k], right, f, system.layout.lyric_rows)
        if rows is None:
            _draw_opening(pen, system, words, lefts[k], right)
        else:
            for row, (some, places) in enumerate(rows):
                _draw_row(pen, system, some, places, row, right)


def _is_sung_in(system: System, note: Note) -> bool:
    """Whether the word of a note stands in a system; a note that begins just before the barline
    is said with the bar."""
    at = system.axis.position(note.start_s) + _BEFORE_BAR
    later = system.axis.position(note.end_s) > at
    return (system.first <= at < system.last) if later else system.holds(note.start_s)


def _x_of(system: System, note: Note) -> float:
    return max(system.x(note.start_s), system.x_at(system.first))


Row = tuple[Sequence[Word], list[float]]


def _in_rows(
    words: Sequence[Word], left: float, right: float, f: float, most: int
) -> list[Row] | None:
    for count in range(1, most + 1):
        shares = [words[row::count] for row in range(count)]
        placed = [(some, spread(some, left, right, f)) for some in shares if some]
        rows = [(some, places) for some, places in placed if places is not None]
        if len(rows) == len(placed):
            return rows
    return None


def _words(notes: Sequence[tuple[Note, float, float]], f: float) -> list[Word]:
    """The syllables of some notes with where those begin and end."""
    found: list[Word] = []
    for note, x1, x2 in notes:
        if note.lyric != HELD:
            text = note.lyric or ""
            found.append(Word(text, x1, x2, text_width(text, _SIZE * f)))
        elif found:
            found[-1] = Word(found[-1].text, found[-1].x, x2, found[-1].width)
    return found


def _draw_row(
    pen: Pen, system: System, words: Sequence[Word], places: Sequence[float], row: int, right: float
) -> None:
    f = system.layout.f
    y = _row_y(system, row)
    nexts = [*places[1:], right]
    for word, x, following in zip(words, places, nexts, strict=True):
        _word(pen, word.text, x, y, word.width, f)
        end = min(word.until, following - _GAP * f)
        if end - (x + word.width) > 0.6 * f and word.until - word.x > word.width + 1.5 * f:
            pen.line(x + word.width + 0.12 * f, y, end, y, "bar")


def _row_y(system: System, row: int) -> float:
    return system.lanes_bottom + (0.85 + ROW * row) * system.layout.f


def _word(pen: Pen, text: str, x: float, y: float, width: float, f: float) -> None:
    pen.rect(x - 0.06 * f, y - 0.78 * f, width + 0.12 * f, 1.02 * f, "ground")
    pen.text(x, y, text, "ly")


def _draw_opening(
    pen: Pen, system: System, words: Sequence[Word], left: float, right: float
) -> None:
    """As many words of a phrase as there is room for, run together."""
    f = system.layout.f
    text = " ".join(word.text for word in words).replace("- ", "").split()
    count = n_fitting(text, right - left, _SIZE * f)
    if count < len(text):
        count = n_fitting(text, right - left - text_width(" …", _SIZE * f), _SIZE * f)
    shown = " ".join(text[:count]) + ("" if count == len(text) else " …")
    if count:
        _word(pen, shown, left, _row_y(system, 0), text_width(shown, _SIZE * f), f)


def draw_sections(pen: Pen, system: System, sections: Sequence[Section]) -> None:
    """The name of each section over where it begins, said again at the head of a system; those
    found by repetition slanted."""
    f = system.layout.f
    y = system.y + 0.95 * f
    shown = list(zip(section_names(sections), sections, strict=True))
    first_s, last_s = system.start_s, system.end_s - 0.1
    here = [(n, s) for n, s in shown if s.start_s < last_s and s.end_s > first_s]
    starts = [max(system.x(s.start_s), system.x_at(system.first)) for _, s in here]
    ends = [*starts, system.x_end][1:]
    for (name, section), x, end in zip(here, starts, ends, strict=True):
        if text_width(name, f, bold=True) > end - x - 0.3 * f:
            continue
        if section.start_s > first_s - 0.1 and x > starts[0]:
            pen.line(x, y - 0.75 * f, x, y + 0.25 * f, "end")
        is_found = section.source == "found by repetition"
        pen.text(x + 0.25 * f, y, name, "i b" if is_found else "b")
