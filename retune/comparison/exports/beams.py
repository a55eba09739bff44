"""Beams for short notes: joined within a beat, as engravers do."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import groupby
from xml.etree import ElementTree as Xml

_LEVELS = {"eighth": 1, "16th": 2, "32nd": 3, "64th": 4}


def add_beams(notes: Sequence[tuple[int, Xml.Element]], *, group: int) -> None:
    """Write `<beam>` into the notes of a bar, given as (start in units, element) in order.

    Notes shorter than a quarter are joined when no rest or longer note lies between and they begin
    in the same stretch of `group` units.
    """
    for (level, _), run in groupby(
        enumerate(notes), key=lambda item: (_level(item[1][1]) > 0, item[1][0] // group)
    ):
        members = [element for _, (_, element) in run]
        if level and len(members) > 1:
            _join(members)


def _level(note: Xml.Element) -> int:
    """How many beams a note would have; 0 for rests and for quarters or longer."""
    return 0 if note.find("rest") is not None else _LEVELS.get(note.findtext("type", ""), 0)


def _join(members: Sequence[Xml.Element]) -> None:
    levels = [_level(note) for note in members]
    for number in range(1, max(levels) + 1):
        for note, word in zip(members, beam_words([lv >= number for lv in levels]), strict=True):
            if word:
                _insert(note, number, word)


def beam_words(has: Sequence[bool]) -> list[str]:
    """What each note says of one beam: begin, continue, end, a hook when alone, "" for none.

    >>> beam_words([True, True, False, True])
    ['begin', 'end', '', 'backward hook']
    """
    words: list[str] = []
    for held, run in groupby(has):
        count = len(list(run))
        if not held:
            words += [""] * count
        elif count == 1:
            words.append("backward hook" if words else "forward hook")
        else:
            words += ["begin", *["continue"] * (count - 2), "end"]
    return words


def _insert(note: Xml.Element, number: int, word: str) -> None:
    """The schema wants beams before notations and lyrics."""
    beam = Xml.Element("beam", number=str(number))
    beam.text = word
    places: Iterable[int] = (
        k for k, child in enumerate(note) if child.tag in ("notations", "lyric")
    )
    note.insert(next(iter(places), len(note)), beam)
