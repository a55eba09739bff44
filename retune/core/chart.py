"""Chord charts and `.lab` files: labels placed in time.

A chart has one cell a bar, cells parted by "|"; "." holds a beat, "-" repeats the cell before,
"|: ... :|" (with an optional x3) plays a passage again. Every error names the bar.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from retune.core.carriers import Bars, Chord, Key
from retune.core.chords import parse_chord
from retune.core.errors import ChordError

KeyAt = Callable[[float], Key | None]
HOLD, REPEAT = ".", "-"
MAX_REPEATS = 64
MAX_BARS = 10_000


def chart_cells(text: str) -> list[str]:
    """The cells of a chart, repeats written out; bar N is entry N - 1.

    Raises
    ------
    ChordError
        A repeat that does not close, or too many bars.
    """
    marked = re.sub(r"\|?:\|\s*(?:x\s*(\d+))?", lambda m: f"|\1{m[1] or 2}|", text)
    marked = marked.replace("|:", "|\2|")
    cells: list[str] = []
    opened: int | None = None
    for part in (piece.strip() for piece in marked.split("|")):
        if part == "\2":
            if opened is not None:
                raise ChordError(f'chords: bar {len(cells) + 1}: "|:" inside another repeat')
            opened = len(cells)
        elif part.startswith("\1"):
            times = int(part[1:])
            if not 1 <= times <= MAX_REPEATS:
                raise ChordError(f"chords: bar {len(cells)}: repeat 1 to {MAX_REPEATS} times")
            cells += cells[opened or 0 :] * (times - 1)
            opened = None
        elif part:
            cells.append(" ".join(part.split()))
        if len(cells) > MAX_BARS:
            raise ChordError(f"chords: more than {MAX_BARS} bars")
    if opened is not None:
        raise ChordError(f'chords: the repeat from bar {opened + 1} is not closed with ":|"')
    return cells


def read_chart(text: str, *, bars: Bars, key_at: KeyAt) -> tuple[Chord, ...]:
    """Place a chart over bars 1, 2, ...; a chart longer than the song is cut at its end.

    Parameters
    ----------
    text : str
        Cells as typed.
    bars : Bars
        Downbeats in seconds; the last one closes the last bar.
    key_at : callable
        The key in force at a time, for numerals.

    Raises
    ------
    ChordError
        A label does not read, or chords do not fill their bar; names the bar and the cell.
    """
    cells = chart_cells(text)
    chords: list[Chord] = []
    entries: list[str] = []
    for number, cell in enumerate(cells[: len(bars.downbeats_s) - 1], start=1):
        if cell == REPEAT:
            if not entries:
                raise ChordError(f'chords: bar {number}: "-" repeats the bar before; there is none')
        else:
            entries = _entries(cell, bars.beats_per_bar, number)
        start_s, end_s = bars.downbeats_s[number - 1], bars.downbeats_s[number]
        beat_s = (end_s - start_s) / len(entries)
        for place, entry in enumerate(entries):
            if entry == HOLD:
                if not chords:
                    raise ChordError(f'chords: bar {number}: "." holds the chord before; none')
                chords[-1] = replace(chords[-1], end_s=start_s + (place + 1) * beat_s)
                continue
            at_s = start_s + place * beat_s
            chord = _read(entry, key_at(at_s), f"chords: bar {number} ({cell})")
            chords.append(replace(chord, start_s=at_s, end_s=at_s + beat_s))
    for number, cell in enumerate(cells[len(bars.downbeats_s) - 1 :], len(bars.downbeats_s)):
        if cell != REPEAT:
            for entry in _entries(cell, bars.beats_per_bar, number):
                if entry != HOLD:
                    _read(entry, key_at(bars.downbeats_s[-1]), f"chords: bar {number} ({cell})")
    return merged(chords)


def _entries(cell: str, beats: int, number: int) -> list[str]:
    entries = cell.split()
    if len(entries) > beats:
        raise ChordError(
            f'chords: bar {number} ("{cell}") has {len(entries)} entries for {beats} beats'
        )
    if beats % len(entries):
        raise ChordError(
            f'chords: bar {number} ("{cell}"): {len(entries)} chords do not divide {beats} beats '
            'evenly; hold beats with ".", such as "'
            + " ".join([*entries, *["."] * (beats - len(entries))])
            + '"'
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
    try:
        lines = file.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise ChordError(f"{file.name}: cannot be read as text: {error}") from error
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
        if not 0 <= start_s < end_s < float("inf"):
            raise ChordError(f"{where}: end {end_s:g} must come after start {start_s:g}, both >= 0")
        if chords and start_s < chords[-1].end_s - 1e-6:
            raise ChordError(f"{where}: begins before the chord above has ended")
        chord = _read(label, key_at(start_s), where)
        chords.append(replace(chord, start_s=start_s, end_s=end_s))
    return tuple(chords)
