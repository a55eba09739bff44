"""Chord charts and `.lab` files: labels placed in time.

A chart has one cell a bar, cells parted by "|" or a new line; "." holds a beat, "-" repeats the
cell before, "|: ... :|" (with an optional x3) plays a passage again; a first cell that begins with
the word "pickup" has an entry for each beat before bar 1. Every error names the bar, counted as the
song plays it, and the cell.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from retune.carriers.errors import ChordError
from retune.carriers.heard import Bars, Chord, Key
from retune.carriers.text import cut_short
from retune.song.limits import LEAST_CHORD_S, MAX_CHORDS, MAX_TIME_S, check_count
from retune.song.textfile import read_text
from retune.theory.chords import parse_chord

KeyAt = Callable[[float], Key | None]
HOLD, REPEAT = ".", "-"
PICKUP = "pickup"
FINEST = 4
"""The most entries a beat may have."""
MAX_REPEATS = 64
MAX_BARS = 10_000
LAB = "a .lab file: start, end and Harte label a line"
_BARLINE = re.compile(r"(:\|+:|\|+:|:\|+|\|+|\n)")
# Signs of other charts, and what stands for them here.
_FOREIGN = {"%": 'write "-" to repeat the bar before', "/": 'hold a beat with "."'}
_TIMES = re.compile(r"\s*[xX×]\s*(\d+)")


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
    cells: list[str] = []
    passage_start, is_open, before = 0, False, "\n"
    pieces = _BARLINE.split(_parted(text)[1])
    for piece, barline in zip(pieces[::2], [*pieces[1::2], "\n"], strict=True):
        if before.startswith(":"):
            times = _TIMES.match(piece)
            _play_again(cells, passage_start, int(times[1]) if times else 2)
            piece = piece[times.end() :] if times else piece
            passage_start, is_open = len(cells), False
        if before.endswith(":"):
            if is_open:
                raise ChordError(
                    f'chords: bar {len(cells) + 1}: "|:" inside another repeat; close the one '
                    f'from bar {passage_start + 1} with ":|" first'
                )
            passage_start, is_open = len(cells), True
        if piece.strip():
            cells.append(" ".join(piece.split()))
        elif before[0] == barline[0] == "|" and not before.endswith(":") and ":" not in barline:
            raise ChordError(
                f'chords: bar {len(cells) + 1} is empty; write "-" to repeat the bar before, '
                '"N.C." for no chord'
            )
        if len(cells) > MAX_BARS:
            raise ChordError(f"chords: more than {MAX_BARS} bars; shorten the chart")
        before = barline
    if is_open:
        raise ChordError(f'chords: the repeat from bar {passage_start + 1} is not closed with ":|"')
    return cells


def _parted(text: str) -> tuple[list[str], str]:
    """The entries of the pickup, and the chart of the bars."""
    head, barline, bars = text.strip().partition("|")
    words = head.split()
    if not words or words[0].lower() != PICKUP:
        return [], text.strip()
    return words[1:], f"{barline}{bars}" if barline else ""


def _play_again(cells: list[str], start: int, times: int) -> None:
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
        A label does not read, or chords do not fill their bar; names the bar and the cell.
    """
    entries: list[str] = []
    times = bars.downbeats_s
    chords = _pickup(_parted(text)[0], bars, key_at)
    for number, cell in enumerate(chart_cells(text), start=1):
        entries = _entries(cell, entries, bars=bars, number=number)
        if number < len(times):
            span = times[number - 1], times[number]
            _place(entries, chords, span, key_at, f'chords: bar {number} ("{cut_short(cell)}")')
        else:
            end = times[-1] if times else 0.0
            _place(
                entries,
                [*chords],
                (end, end),
                key_at,
                f'chords: bar {number} ("{cut_short(cell)}")',
            )
    return merged(chords)


def _pickup(entries: Sequence[str], bars: Bars, key_at: KeyAt) -> list[Chord]:
    """The chords before bar 1, a beat each; what would lie before the song's start is cut."""
    times, chords = bars.downbeats_s, list[Chord]()
    if not entries or len(times) < 2:
        return chords
    where = f'chords: pickup ("{cut_short(" ".join(entries))}")'
    if len(entries) > bars.beats_per_bar:
        raise ChordError(
            f"{where} has {len(entries)} entries, more than the {bars.beats_per_bar} beats of a "
            "bar; write the bar before as bar 1"
        )
    beat_s = (times[1] - times[0]) / bars.beats_per_bar
    start_s = times[0] - beat_s * len(entries)
    _place(entries, chords, (start_s, times[0]), key_at, where)
    return [replace(c, start_s=max(c.start_s, 0.0)) for c in chords if c.end_s > 0]


def _place(
    entries: Sequence[str],
    chords: list[Chord],
    span: tuple[float, float],
    key_at: KeyAt,
    where: str,
) -> None:
    """Add the chords of one bar to `chords`."""
    start_s, end_s = span
    edges = [start_s + (end_s - start_s) * k / len(entries) for k in range(len(entries))]
    for entry, at_s, until_s in zip(entries, edges, [*edges[1:], end_s], strict=True):
        if entry != HOLD:
            chord = _read(entry, key_at(at_s), where)
            chords.append(replace(chord, start_s=at_s, end_s=until_s))
        elif chords:
            chords[-1] = replace(chords[-1], end_s=until_s)
        else:
            raise ChordError(f'{where}: "." holds the chord before, and there is none')


def _entries(cell: str, before: list[str], *, bars: Bars, number: int) -> list[str]:
    """What a cell says for each part of its bar; "-" gives the cell before."""
    entries = cell.split()
    where = f'chords: bar {number} ("{cut_short(cell)}")'
    if REPEAT in entries:
        if len(entries) > 1:
            raise ChordError(f'{where}: "-" repeats a whole bar; hold a beat with "."')
        if not before:
            raise ChordError(f'{where}: "-" repeats the bar before, and there is none')
        return before
    for foreign, instead in _FOREIGN.items():
        if foreign in entries:
            raise ChordError(f'{where}: "{foreign}" is not read; {instead}')
    beats = bars.beats_per_bar
    dotted = " (dotted quarters)" if beats != bars.meter[0] else ""
    if len(entries) > beats and (len(entries) % beats or len(entries) > FINEST * beats):
        raise ChordError(
            f"{where} has {len(entries)} entries for {beats} beats{dotted}; leave some out, or "
            f"give every beat as many, such as {2 * beats} in all"
        )
    if len(entries) < beats and beats % len(entries):
        held = " ".join([*entries, *[HOLD] * (beats - len(entries))])
        raise ChordError(
            f"{where}: {len(entries)} entries do not divide {beats} beats{dotted} evenly; hold "
            f'beats with ".", such as "{held}"'
        )
    return entries


def _read(label: str, key: Key | None, where: str) -> Chord:
    try:
        return parse_chord(label, key)
    except ChordError as error:
        raise ChordError(f"{where}: {error}") from error


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
        chord = _read(label, key_at(start_s), where)
        chords.append(replace(chord, start_s=start_s, end_s=end_s))
    return tuple(chords)
