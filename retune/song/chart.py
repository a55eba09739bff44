"""Chord charts and `.lab` files: labels placed in time.

A chart has one cell a bar, cells parted by "|" or a new line; "." holds a beat, "-" repeats the
cell before, "|: ... :|" (with an optional x3) plays a passage again; a first cell that begins with
the word "pickup" has an entry for each beat before bar 1. Every error names the bar, counted as the
song plays it, and the cell; one of a cell also its line and column in the chart.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import NoReturn

from retune.carriers.barlines import Meter, written_beats
from retune.carriers.errors import ChordError
from retune.carriers.heard import Bars, Chord, Key
from retune.carriers.text import cut_short
from retune.song.bartime import seconds_at
from retune.song.limits import LEAST_CHORD_S, MAX_CHORDS, MAX_TIME_S, check_count
from retune.song.textfile import read_text
from retune.theory.chords import parse_chord

KeyAt = Callable[[float], Key | None]
HOLD, REPEAT = ".", "-"
# The key that numerals are read in where only their spelling is asked for.
ANY_KEY = Key("C", "major")
PICKUP = "pickup"
FINEST = 4
"""The most entries a beat may have."""
MAX_REPEATS = 64
MAX_BARS = 10_000
LAB = "a .lab file: start, end and Harte label a line"
_BARLINE = re.compile(r"(:\|+:|\|+:|:\|+|\|+|\n)")
# Signs of other charts, and what stands for them here.
_FOREIGN = {"%": 'write "-" to repeat the bar before', "/": 'hold a beat with "."'}
_TIMES = re.compile(r"\s*[xX×]\s*0*(\d{1,9})\d*")


@dataclass(frozen=True)
class _Cell:
    """What is written for a bar, and where each of its entries begins in the chart's text."""

    entries: tuple[str, ...]
    at: tuple[int, ...]

    @classmethod
    def of(cls, piece: str, start: int) -> _Cell:
        found = list(re.finditer(r"\S+", piece))
        return cls(tuple(m[0] for m in found), tuple(start + m.start() for m in found))

    @property
    def text(self) -> str:
        return " ".join(self.entries)


@dataclass(frozen=True)
class _Written:
    """A cell, and where it stands, for messages: which bar in words, and the whole chart."""

    bar: str
    cell: _Cell
    chart: str

    def refuse(self, problem: str, entry: int = 0) -> NoReturn:
        """Raise a ChordError about an entry, counted from 0."""
        before = self.chart[: self.cell.at[entry]]
        line, column = before.count("\n") + 1, len(before) - before.rfind("\n")
        raise ChordError(
            f'chords: {self.bar} ("{cut_short(self.cell.text)}"){problem} '
            f"(line {line}, column {column} of the chart)"
        )


def chart_bars(text: str) -> int:
    """How many bars a chart fills, repeats written out."""
    return len(chart_cells(text))


def chart_cells(text: str) -> list[str]:
    """The cells of a chart, repeats written out; bar N is entry N - 1. That of a pickup is none.

    Raises
    ------
    ChordError
        An empty cell, a repeat that does not close, or too many bars.

    >>> chart_cells("|: Bb | - :| x2 Gm")
    ['Bb', '-', 'Bb', '-', 'Gm']
    """
    return [cell.text for cell in _cells(text)]


def check_chart(text: str, *, bars: Bars | None = None) -> None:
    """Refuse a chart that cannot be read wherever its bars lie. How many entries fill a bar is
    asked where the meters are known: those of `bars`, which need no times.

    Raises
    ------
    ChordError
        See `read_chart`.
    """
    held = bars or Bars((), (4, 4), 0.0)
    _placed(text, held, lambda _: ANY_KEY, is_counted=bars is not None)


def _cells(text: str) -> list[_Cell]:
    """The cells of the bars, repeats written out."""
    cells: list[_Cell] = []
    passage_start, is_open, before = 0, False, "\n"
    at = _parted(text)[1]
    pieces = _BARLINE.split(text[at:])
    for piece, barline in zip(pieces[::2], [*pieces[1::2], "\n"], strict=True):
        skipped = 0
        if before.startswith(":"):
            times = _TIMES.match(piece)
            _play_again(cells, passage_start, int(times[1]) if times else 2)
            skipped = times.end() if times else 0
            passage_start, is_open = len(cells), False
        if before.endswith(":"):
            if is_open:
                raise ChordError(
                    f'chords: bar {len(cells) + 1}: "|:" inside another repeat; close the one '
                    f'from bar {passage_start + 1} with ":|" first'
                )
            passage_start, is_open = len(cells), True
        if piece[skipped:].strip():
            cells.append(_Cell.of(piece[skipped:], at + skipped))
        elif before[0] == barline[0] == "|" and not before.endswith(":") and ":" not in barline:
            raise ChordError(
                f'chords: bar {len(cells) + 1} is empty; write "-" to repeat the bar before, '
                '"N.C." for no chord'
            )
        if len(cells) > MAX_BARS:
            raise ChordError(f"chords: more than {MAX_BARS} bars; shorten the chart")
        before, at = barline, at + len(piece) + len(barline)
    if is_open:
        raise ChordError(f'chords: the repeat from bar {passage_start + 1} is not closed with ":|"')
    n_entries = sum(len(cell.entries) for cell in cells)
    check_count(n_entries, MAX_CHORDS, "entries", where="chords", error=ChordError)
    return cells


def _parted(text: str) -> tuple[_Cell, int]:
    """What the pickup says, and where in the text the bars begin."""
    start = len(text) - len(text.lstrip())
    head = _Cell.of(text.partition("|")[0], 0)
    if not head.entries or head.entries[0].lower() != PICKUP:
        return _Cell((), ()), start
    bars = text.find("|")
    return _Cell(head.entries[1:], head.at[1:]), len(text) if bars < 0 else bars


def _play_again(cells: list[_Cell], start: int, times: int) -> None:
    if not 1 <= times <= MAX_REPEATS:
        raise ChordError(f"chords: bar {len(cells)}: a passage plays 1 to {MAX_REPEATS} times")
    if start == len(cells):
        raise ChordError(f'chords: bar {len(cells) + 1}: ":|" has no bar before it to repeat')
    cells += cells[start:] * (times - 1)


def read_chart(text: str, *, bars: Bars, key_at: KeyAt) -> tuple[Chord, ...]:
    """Place a chart over bars 1, 2, ..., each divided evenly, its pickup before them. A shorter
    chart leaves the rest without chord, a longer one is checked to its end and cut.

    Parameters
    ----------
    text : str
        Cells as typed.
    bars : Bars
        Downbeats in seconds; the last one closes the last bar.
    key_at : callable
        The key in force at a time in seconds, for numerals.

    Raises
    ------
    ChordError
        A label does not read, or chords do not fill their bar; names the bar, the cell, and the
        line and column of the chart.
    """
    chords = _placed(text, bars, key_at, is_counted=True)
    return merged([chord for chord in chords if chord.end_s > chord.start_s])


def _placed(text: str, bars: Bars, key_at: KeyAt, *, is_counted: bool) -> list[Chord]:
    """The chords of a chart, those past the last bar with no length."""
    times = bars.downbeats_s
    end_s = times[-1] if times else 0.0
    chords: list[Chord] = []
    before: _Written | None = None
    pickup = _parted(text)[0]
    if pickup.entries:
        written = _Written("pickup", pickup, text)
        _place(written, chords, _pickup_edges(written, bars, is_counted=is_counted), key_at)
        chords = [replace(c, start_s=max(c.start_s, 0.0)) for c in chords if c.end_s >= 0]
    for number, cell in enumerate(_cells(text), start=1):
        written = _said(_Written(f"bar {number}", cell, text), before)
        if is_counted:
            _check_count(written, bars.meter_of(number))
        closed = [end_s] * (len(cell.entries) + 1)
        edges = _edges(written, number, bars) if number < len(times) else closed
        _place(written, chords, edges, key_at)
        before = written
    return chords


def _pickup_edges(pickup: _Written, bars: Bars, *, is_counted: bool) -> Sequence[float]:
    """When the entries of a pickup begin, a beat for each, and its end; before the song's start
    too."""
    count, beats = len(pickup.cell.entries), bars.beats_in(1)
    if is_counted and count > beats:
        pickup.refuse(
            f" has {count} entries, more than the {beats} beats of a bar; write the "
            "bar before as bar 1",
            beats,
        )
    if len(bars.downbeats_s) < 2:
        return [0.0] * (count + 1)
    return [seconds_at(k - count, bars) for k in range(count + 1)]


def _edges(written: _Written, bar: int, bars: Bars) -> Sequence[float]:
    """When the entries of a bar begin, and its end."""
    count, beats = len(written.cell.entries), bars.beats_in(bar)
    first = bars.first_beat(bar)
    return [seconds_at(first + beats * k / count, bars) for k in range(count + 1)]


def _place(written: _Written, chords: list[Chord], edges: Sequence[float], key_at: KeyAt) -> None:
    """Add the chords of one bar to `chords`; `edges` are where its entries begin, and its end."""
    entries = written.cell.entries
    for k, (at_s, until_s) in enumerate(pairwise(edges)):
        if entries[k] != HOLD:
            chord = _read(written, k, key_at(at_s))
            chords.append(replace(chord, start_s=at_s, end_s=until_s))
        elif chords:
            chords[-1] = replace(chords[-1], end_s=until_s)
        else:
            written.refuse(': "." holds the chord before, and there is none', k)


def _said(bar: _Written, before: _Written | None) -> _Written:
    """The bar, or the one before it where it says "-"."""
    entries = bar.cell.entries
    if REPEAT in entries:
        if len(entries) > 1:
            bar.refuse(': "-" repeats a whole bar; hold a beat with "."', entries.index(REPEAT))
        if before is None:
            bar.refuse(': "-" repeats the bar before, and there is none')
        return before
    for foreign, instead in _FOREIGN.items():
        if foreign in entries:
            bar.refuse(f': "{foreign}" is not read; {instead}', entries.index(foreign))
    return bar


def _check_count(bar: _Written, meter: Meter) -> None:
    """Refuse entries that do not fill a bar of this meter evenly."""
    entries, beats = bar.cell.entries, written_beats(meter)
    dotted = " (dotted quarters)" if beats != meter[0] else ""
    if len(entries) > beats and (len(entries) % beats or len(entries) > FINEST * beats):
        bar.refuse(
            f" has {len(entries)} entries for {beats} beats{dotted}; leave some out, or "
            f"give every beat as many, such as {2 * beats} in all"
        )
    if len(entries) < beats and beats % len(entries):
        held = " ".join([*entries, *[HOLD] * (beats - len(entries))])
        bar.refuse(
            f": {len(entries)} entries do not divide {beats} beats{dotted} evenly; hold "
            f'beats with ".", such as "{held}"'
        )


def _read(bar: _Written, entry: int, key: Key | None) -> Chord:
    try:
        return _parsed(bar.cell.entries[entry], key)
    except ChordError as error:
        bar.refuse(f": {error}", entry)


@lru_cache(maxsize=4096)
def _parsed(entry: str, key: Key | None) -> Chord:
    return parse_chord(entry, key)


def merged(chords: list[Chord]) -> tuple[Chord, ...]:
    """Neighbours of one label that touch, joined into one."""
    joined: list[Chord] = []
    for chord in chords:
        last = joined[-1] if joined else None
        if (
            last is not None
            and (last.label, last.roman) == (chord.label, chord.roman)
            and abs(last.end_s - chord.start_s) < 1e-6
        ):
            joined[-1] = replace(last, end_s=chord.end_s)
        else:
            joined.append(chord)
    return tuple(joined)


def read_lab(path: str | Path, key_at: KeyAt) -> tuple[Chord, ...]:
    """Read a `.lab` file: start, end and Harte label a line.

    Raises
    ------
    ChordError
        A line that does not read, runs backwards or overlaps; names the file and the line.
    """
    file = Path(path)
    lines = read_text(file, what=LAB, error=ChordError).splitlines()
    chords: list[Chord] = []
    for number, line in enumerate(lines, start=1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        where = f"{file.name}, line {number}"
        parts = line.split(maxsplit=2)
        try:
            start_s, end_s = float(parts[0]), float(parts[1])
            label = parts[2].strip()
        except (ValueError, IndexError):
            raise ChordError(f'{where}: "{line.strip()[:60]}" is not "start end label"') from None
        if not 0 <= start_s <= end_s - LEAST_CHORD_S <= MAX_TIME_S:
            raise ChordError(
                f"{where}: {start_s:g} to {end_s:g} s is no span; a chord ends after it starts, "
                f"both from 0 to {MAX_TIME_S:g} s"
            )
        if chords and start_s < chords[-1].end_s - 1e-6:
            raise ChordError(f"{where}: begins before the chord above has ended")
        check_count(len(chords), MAX_CHORDS - 1, "chords", where=file.name, error=ChordError)
        try:
            chord = parse_chord(label, key_at(start_s))
        except ChordError as error:
            raise ChordError(f"{where}: {error}") from error
        chords.append(replace(chord, start_s=start_s, end_s=end_s))
    return tuple(chords)
