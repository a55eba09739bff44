"""The notes of a MusicXML score, and the words under them: first part with words, first verse.

Elements as MusicXML 4.0 has them (w3.org/2021/06/musicxml40): pitch, lyric, syllabic, text,
elision. Repeats are not played out.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as Xml

from retune.carriers.errors import InputError
from retune.song.limits import MAX_SYLLABLES, check_count
from retune.song.lyriclines import LyricLine, Syllable
from retune.theory.pitchnames import LETTER_SEMITONES

_SMALLEST, _LARGEST = 1e-3, 1e6
_SEMITONES = 127
_REST_QUARTERS = 0.5  # silence that ends a line


@dataclass(frozen=True)
class _Sung:
    bar: int
    part: float
    from_quarters: float
    to_quarters: float
    text: str
    lasts_bars: float = 0.0
    midi: int | None = None


@dataclass(frozen=True)
class ScoreNote:
    """A note of a score: where it begins and what it sounds at. `from_bar` 3.5 is the middle of
    bar 3, bar 0 the pickup."""

    from_bar: float
    to_bar: float
    midi: int


def read_score_notes(text: str, *, name: str) -> tuple[ScoreNote, ...]:
    """The notes of the first part of a score that has any, as they sound; of a chord the first.

    Raises
    ------
    InputError
        No MusicXML, or no notes in it; `name` stands in the message.
    """
    for notes in _parts(text, name=name):
        found = [
            ScoreNote(n.bar + n.part, n.bar + n.part + n.lasts_bars, n.midi)
            for n in notes
            if n.midi is not None
        ]
        if found:
            return tuple(found)
    raise InputError(f"{name} has no notes; give another file")


def read_score_lyrics(text: str, *, name: str) -> tuple[LyricLine, ...]:
    """The words of a score, a new line after each rest of half a beat or more.

    Raises
    ------
    InputError
        No MusicXML, or no words in it; `name` stands in the message.
    """
    for notes in _parts(text, name=name):
        if any(note.text for note in notes):
            return tuple(_lines(notes))
    raise InputError(f"{name} has no lyrics under its notes; give another file")


def _parts(text: str, *, name: str) -> Iterator[list[_Sung]]:
    """The notes of each part of a score."""
    if re.search(r"<!(?:ENTITY|ATTLIST|ELEMENT|NOTATION)|<!DOCTYPE[^>]*\[", text):
        raise InputError(
            f"{name}: entities and declarations of its own are not read, since a few of them can "
            "stand for any length of text; export the score again as MusicXML"
        )
    try:
        score = Xml.fromstring(text)
    except Xml.ParseError as error:
        raise InputError(f"{name} is no MusicXML ({error}); export the score again") from error
    if score.tag != "score-partwise":
        raise InputError(f"{name} holds <{score.tag}>; export the score as score-partwise MusicXML")
    for part in score.findall("part"):
        notes = list(_sung(part))
        check_count(len(notes), MAX_SYLLABLES, "notes", where=name)
        yield notes


def _sung(part: Xml.Element) -> Iterator[_Sung]:
    """The notes of a part in time, each with its syllable or ""."""
    divisions, full, start = 1.0, 4.0, 0.0
    verse, raised = "", 0
    for place, measure in enumerate(part.findall("measure")):
        if place == 0:
            first = 0 if measure.get("implicit") == "yes" or measure.get("number") == "0" else 1
        at, length, found = 0.0, 0.0, []
        for element in measure:
            divisions = _number(element, "divisions", divisions) or divisions
            top, bottom = _number(element, "time/beats", 0), _number(element, "time/beat-type", 0)
            full = top * 4 / bottom if top and bottom else full
            if element.find("transpose") is not None:
                raised = _transposed(element)
            lasts = _number(element, "duration", 0.0) / divisions
            if element.tag == "backup":
                at -= lasts
            elif element.tag == "forward":
                at += lasts
            elif element.tag == "note" and element.find("grace") is None:
                is_new = element.find("chord") is None and element.find("rest") is None
                if is_new and not _is_held(element):
                    verse, words = _lyric(element, verse)
                    found.append((at, lasts, words, _midi(element, raised)))
                at += 0.0 if element.find("chord") is not None else lasts
            length = max(length, at)
        early = full - length if first == 0 and place == 0 else 0.0
        for offset, lasts, words, midi in found:
            since, part_of_bar = start + offset, (offset + early) / full
            yield _Sung(place + first, part_of_bar, since, since + lasts, words, lasts / full, midi)
        start += length


def _transposed(attributes: Xml.Element) -> int:
    """How many semitones a part sounds above what is written."""
    octaves = _signed(attributes, "transpose/octave-change")
    return round(_signed(attributes, "transpose/chromatic") + 12 * octaves)


def _midi(note: Xml.Element, raised: int) -> int | None:
    """The MIDI number at which a written note sounds; None for one without a pitch."""
    step = note.findtext("pitch/step") or ""
    if step not in LETTER_SEMITONES:
        return None
    alter, octave = _signed(note, "pitch/alter"), _signed(note, "pitch/octave")
    return round(12 * (octave + 1) + LETTER_SEMITONES[step] + alter) + raised


def _is_held(note: Xml.Element) -> bool:
    return any(tie.get("type") == "stop" for tie in note.findall("tie"))


def _lyric(note: Xml.Element, verse: str) -> tuple[str, str]:
    """The verse that is followed, the first one seen, and the syllable of a note in it."""
    for lyric in note.findall("lyric"):
        number = lyric.get("number", "1")
        if verse in ("", number):
            pieces = [t.text or "" for t in lyric if t.tag in ("text", "elision")]
            goes_on = (lyric.findtext("syllabic") or "single") in ("begin", "middle")
            words = " ".join("".join(piece or " " for piece in pieces).split())
            return number, words + "-" if goes_on and words else words
    return verse, ""


def _number(element: Xml.Element, path: str, default: float) -> float:
    """A number of the score, 0 or as large as a score has it; `default` for any other."""
    try:
        value = float(element.findtext(path) or default)
    except ValueError:
        return default
    return value if value == 0 or _SMALLEST <= value <= _LARGEST else default


def _signed(element: Xml.Element, path: str) -> float:
    """A small number of the score, below 0 or above; 0 for any other."""
    try:
        value = float(element.findtext(path) or 0)
    except ValueError:
        return 0.0
    return value if abs(value) <= _SEMITONES else 0.0


def _lines(notes: Sequence[_Sung]) -> Iterator[LyricLine]:
    line: list[Syllable] = []
    until = 0.0
    for note in notes:
        if line and note.from_quarters - until >= _REST_QUARTERS:
            yield LyricLine(tuple(line), is_marked=True)
            line = []
        until = note.to_quarters
        if note.text:
            line.append(Syllable(note.text, at_bar=(note.bar, note.part)))
        elif line:
            last = line[-1]
            line[-1] = Syllable(last.text, last.notes + 1, at_bar=last.at_bar)
    if line:
        yield LyricLine(tuple(line), is_marked=True)
