"""What a person put right by hand: applied by time, so that it survives a new analysis."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace

from retune.carriers.errors import InputError, SongFileError
from retune.carriers.songfacts import Correction
from retune.song.timetext import read_seconds
from retune.theory.pitchnames import ascii_accidentals, parse_pitch_name

FORMS = (
    "pitch NAME | degree N | octave up | octave down | split | merge next | start S | end S | "
    "ending here | not an ending | drop | add NAME to S | no voice to S"
)
# A correction reaches a note this far outside it.
REACH_S = 0.05
SHORTEST_S = 0.02


@dataclass(frozen=True)
class Draft:
    """A note in the making: `midi` at A4 = 440 Hz; `named` the MIDI number, `degree` the degree and
    `typed` the name that a person gave it; `ending` True or False where a person said so; `singer`
    how likely it is sung at all, in a mix."""

    start_s: float
    end_s: float
    midi: float
    confidence: float = 1.0
    doubt: str = ""
    named: int | None = None
    degree: str | None = None
    ending: bool | None = None
    singer: float | None = None
    typed: str = ""


def apply_corrections(
    drafts: Iterable[Draft], corrections: Iterable[Correction], *, stem: str
) -> tuple[list[Draft], list[str]]:
    """The notes of `stem` with what was corrected by hand, and warnings in words.

    A correction where no note sounds changes nothing and warns, except that `add` puts a note
    there and `no voice` needs none. A note that a person touched is no longer doubtful.

    Raises
    ------
    SongFileError
        A correction that does not read.
    """
    notes = sorted(drafts, key=lambda note: note.start_s)
    warnings: list[str] = []
    for correction in corrections:
        if correction.stem != stem:
            continue
        where = _where(correction)
        if correction.set.lower().startswith("add "):
            problem = _add(notes, correction.set.split(maxsplit=3), correction.at_s, where)
            if problem:
                warnings.append(f"{where} was left out: {problem}")
            continue
        silent = _silent_span(correction)
        if silent is not None:
            _silence(notes, *silent)
            continue
        at = _sounding(notes, correction.at_s)
        if at is None:
            near = _nearest(notes, correction.at_s)
            warnings.append(f"{where} was left out: no note sounds then{near}")
            continue
        problem = _apply(notes, at, correction.set.strip(), correction.at_s, where)
        if problem:
            warnings.append(f"{where} was left out: {problem}")
        notes.sort(key=lambda note: note.start_s)
    return notes, warnings


def silent_spans(corrections: Iterable[Correction], *, stem: str) -> list[tuple[float, float]]:
    """(start_s, end_s) of every span in which a person says that nobody sings in `stem`.

    Raises
    ------
    SongFileError
        Its end does not read.
    """
    spans = (_silent_span(c) for c in corrections if c.stem == stem)
    return [span for span in spans if span is not None]


def _silent_span(correction: Correction) -> tuple[float, float] | None:
    if not correction.set.lower().startswith("no voice to "):
        return None
    return correction.at_s, _seconds(correction.set.split(maxsplit=3)[-1], _where(correction))


def _where(correction: Correction) -> str:
    return f'correction "{correction.set}" at {correction.at_s:.2f} s of stem {correction.stem}'


def _add(notes: list[Draft], words: list[str], at_s: float, where: str) -> str:
    """Put a note from `at_s` on, in place of what lies there; return what stood in the way."""
    if len(words) != 4 or words[2].lower() != "to":
        raise SongFileError(f"{where} does not read: write add NAME to S, as in add F4 to 13.1")
    named, end_s = _named(words[1], where), _seconds(words[3], where)
    if end_s - at_s < SHORTEST_S:
        return f"the note would last from {at_s:.2f} to {end_s:.2f} s"
    kept = [_beside(note, at_s, end_s) for note in notes]
    notes[:] = [n for n in kept if n.end_s - n.start_s >= SHORTEST_S]
    notes.append(Draft(at_s, end_s, float(named), named=named, typed=ascii_accidentals(words[1])))
    notes.sort(key=lambda note: note.start_s)
    return ""


def _silence(notes: list[Draft], start_s: float, end_s: float) -> None:
    """Nobody sings from `start_s` to `end_s`: notes there go, those that reach in end or begin
    there."""
    kept = [_beside(note, start_s, end_s) for note in notes]
    notes[:] = [n for n in kept if n.end_s - n.start_s >= SHORTEST_S]


def _beside(note: Draft, start_s: float, end_s: float) -> Draft:
    """What is left of a note beside a span: the part before it, or else the part after it."""
    if note.end_s <= start_s or note.start_s >= end_s:
        return note
    if note.start_s < start_s:
        return replace(note, end_s=start_s)
    return replace(note, start_s=min(end_s, note.end_s))


def _sounding(notes: list[Draft], at_s: float) -> int | None:
    """The note that sounds at a time; failing that the nearest within REACH_S."""
    for k, note in enumerate(notes):
        if note.start_s <= at_s < note.end_s:
            return k
    away = {k: max(n.start_s - at_s, at_s - n.end_s) for k, n in enumerate(notes)}
    near = min(away, key=lambda k: away[k], default=None)
    return near if near is not None and away[near] <= REACH_S else None


def _nearest(notes: list[Draft], at_s: float) -> str:
    if not notes:
        return " (the stem has no notes)"
    note = min(notes, key=lambda n: max(n.start_s - at_s, at_s - n.end_s))
    return f"; the nearest one lasts from {note.start_s:.2f} to {note.end_s:.2f} s"


def _apply(notes: list[Draft], k: int, text: str, at_s: float, where: str) -> str:
    """Change `notes` in place; return what stood in the way, or ""."""
    words = text.split(maxsplit=1)
    low = text.lower()
    note = replace(notes[k], confidence=1.0, doubt="", singer=_sure(notes[k].singer))
    if low in ("ending here", "not an ending"):
        notes[k] = replace(note, ending=low == "ending here")
    elif low in ("octave up", "octave down"):
        step = 12 if low == "octave up" else -12
        named = None if note.named is None else note.named + step
        if not 0 <= (round(note.midi + step) if named is None else named) <= 127:
            return "the pitch would lie outside C-1 to G9"
        notes[k] = replace(note, midi=note.midi + step, named=named)
    elif low == "drop":
        del notes[k]
    elif low == "split":
        return _split(notes, k, note, at_s)
    elif low == "merge next":
        return _merge(notes, k, note)
    elif len(words) == 2 and words[0].lower() in ("start", "end"):
        return _move_edge(notes, k, note, words[0].lower(), _seconds(words[1], where))
    elif len(words) == 2 and words[0].lower() == "pitch":
        notes[k] = replace(
            note, named=_named(words[1], where), degree=None, typed=ascii_accidentals(words[1])
        )
    elif len(words) == 2 and words[0].lower() == "degree":
        if not re.fullmatch(r"(b{1,2}|#{1,2})?[1-7]", words[1]):
            raise SongFileError(f'{where}: "{words[1]}" is no degree: write 1 to 7, b7, #4')
        notes[k] = replace(note, degree=words[1], named=None)
    else:
        raise SongFileError(f"{where} does not read: write one of {FORMS}")
    return ""


def _split(notes: list[Draft], k: int, note: Draft, at_s: float) -> str:
    if not note.start_s + SHORTEST_S <= at_s <= note.end_s - SHORTEST_S:
        return f"it lies at the very edge of the note ({note.start_s:.2f} to {note.end_s:.2f} s)"
    first_ending = False if note.ending else note.ending
    notes[k : k + 1] = [
        replace(note, end_s=at_s, ending=first_ending),
        replace(note, start_s=at_s),
    ]
    return ""


def _merge(notes: list[Draft], k: int, note: Draft) -> str:
    if k + 1 >= len(notes):
        return "no note follows"
    after = notes[k + 1]
    longer = note if note.end_s - note.start_s >= after.end_s - after.start_s else after
    named = note.named if note.named is not None else after.named
    ending = note.ending if note.ending is not None else after.ending
    midi = note.midi if note.named is not None else longer.midi
    notes[k : k + 2] = [
        replace(note, end_s=max(note.end_s, after.end_s), midi=midi, named=named, ending=ending)
    ]
    return ""


def _move_edge(notes: list[Draft], k: int, note: Draft, edge: str, to_s: float) -> str:
    """Move a start or an end; neighbours give way, but keep a little of themselves."""
    start_s, end_s = (to_s, note.end_s) if edge == "start" else (note.start_s, to_s)
    if end_s - start_s < SHORTEST_S or start_s < 0:
        return f"the note would last from {start_s:.2f} to {end_s:.2f} s"
    if edge == "start" and k > 0 and notes[k - 1].end_s > start_s:
        if start_s - notes[k - 1].start_s < SHORTEST_S:
            return "nothing would be left of the note before; drop or merge it first"
        notes[k - 1] = replace(notes[k - 1], end_s=start_s)
    if edge == "end" and k + 1 < len(notes) and notes[k + 1].start_s < end_s:
        if notes[k + 1].end_s - end_s < SHORTEST_S:
            return "nothing would be left of the note after; drop or merge it first"
        notes[k + 1] = replace(notes[k + 1], start_s=end_s)
    notes[k] = replace(note, start_s=start_s, end_s=end_s)
    return ""


def _sure(singer: float | None) -> float | None:
    """A person who puts a note of a mix right says that it is sung."""
    return None if singer is None else 1.0


def _seconds(text: str, where: str) -> float:
    seconds = read_seconds(text.strip())
    if seconds is None:
        raise SongFileError(f'{where}: "{text}" is no time: write seconds, as in 12.4')
    return seconds


def _named(text: str, where: str) -> int:
    try:
        return parse_pitch_name(text)
    except InputError as error:
        raise SongFileError(f"{where}: {error}") from None
