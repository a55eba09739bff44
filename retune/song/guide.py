"""The melody as a person gives it, roughly: a table of notes or a MIDI file."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from retune.carriers.errors import InputError
from retune.song.limits import LEAST_NOTE_S, MAX_GUIDE_NOTES, MAX_TIME_S, check_count
from retune.song.midifile import read_midi
from retune.song.textfile import read_bytes, read_text
from retune.theory.pitchnames import parse_pitch_name

COLUMNS = ("start_s", "end_s", "pitch")
MIDI_SUFFIXES = (".mid", ".midi")
SCORE_SUFFIXES = (".musicxml",)
# Notes that begin this near each other and sound on together are a chord, no slip of the hand.
CHORD_S = 0.04
WHAT = "a guide: a CSV of start_s,end_s,pitch lines or a MIDI file"


@dataclass(frozen=True)
class GuideNote:
    """A note that is roughly there: seconds, MIDI number (A4 = 69)."""

    start_s: float
    end_s: float
    midi: float


def read_guide(path: Path) -> tuple[GuideNote, ...]:
    """The notes of a guide, in order of time and not overlapping; see `read_rough` and `mended`."""
    return mended(read_rough(path))[0]


def mended(rough: Sequence[GuideNote]) -> tuple[tuple[GuideNote, ...], str]:
    """Notes as hands make them put in order, each ending where the next begins; and what was done,
    in words ("" for nothing)."""
    notes: list[GuideNote] = []
    n_cut = 0
    ordered = sorted(rough, key=lambda note: note.start_s)
    for note in ordered:
        if notes and note.start_s < notes[-1].end_s - 1e-6:
            n_cut += 1
            notes[-1] = replace(notes[-1], end_s=note.start_s)
            if notes[-1].end_s - notes[-1].start_s < LEAST_NOTE_S:
                notes.pop()
        notes.append(note)
    done = []
    if list(rough) != ordered:
        done.append("its notes were put in order of time")
    if n_cut:
        said = "1 note that hangs" if n_cut == 1 else f"{n_cut} notes that hang"
        done.append(f"{said} over into the next: cut there")
    return tuple(notes), "; ".join(done)


def read_rough(path: Path) -> tuple[GuideNote, ...]:
    """The notes of a guide as they stand in its file.

    A CSV has one note a line, `start_s,end_s,pitch`, the pitch a name (Bb4) or a MIDI number
    (70, 70.5); a first line with these words and lines that begin with # are skipped, further
    columns too. A MIDI file may hold one line of notes (percussion aside).

    Raises
    ------
    InputError
        It cannot be read as such; names the file and, for a CSV, the line.
    """
    path = Path(path)
    if path.suffix.lower() in MIDI_SUFFIXES:
        notes = _from_midi(read_bytes(path, what=WHAT), path)
    else:
        notes = _from_csv(read_text(path, what=WHAT), path)
    if not notes:
        raise InputError(f"{path.name}: the guide holds no note; write start_s,end_s,pitch lines")
    return notes


def _from_midi(data: bytes, path: Path) -> tuple[GuideNote, ...]:
    try:
        found = read_midi(data)
    except InputError as error:
        raise InputError(f"{path.name}: {error}") from error
    notes: list[GuideNote] = []
    check_count(len(found), MAX_GUIDE_NOTES, "notes", where=path.name)
    for note in found:
        if notes and note.start_s - notes[-1].start_s < CHORD_S and note.start_s < notes[-1].end_s:
            raise InputError(
                f"{path.name}: at {note.start_s:.2f} s two notes sound together (track "
                f"{note.track}); a guide is one melody: keep its track alone"
            )
        notes.append(GuideNote(note.start_s, note.end_s, float(note.midi)))
    return tuple(note for note in notes if note.end_s > note.start_s)


def _from_csv(text: str, path: Path) -> tuple[GuideNote, ...]:
    order = list(COLUMNS)
    notes: list[GuideNote] = []
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        cells = _cells(line, where=f"{path.name} line {number}")
        if not notes and set(COLUMNS) <= set(cells):
            order = cells
            continue
        note = _note(cells, order, where=f"{path.name} line {number}")
        notes.append(note)
        check_count(len(notes), MAX_GUIDE_NOTES, "notes", where=path.name)
    return tuple(notes)


def _cells(line: str, *, where: str) -> list[str]:
    try:
        return [cell.strip() for cell in next(csv.reader([line]))]
    except csv.Error as error:
        raise InputError(f"{where}: does not read as CSV ({error}); shorten or mend it") from error


def _note(cells: Sequence[str], order: Sequence[str], *, where: str) -> GuideNote:
    row = dict(zip(order, cells, strict=False))
    if not set(COLUMNS) <= set(row):
        raise InputError(
            f'{where}: "{",".join(cells)[:60]}" has {len(cells)} of the {len(order)} columns; '
            f"write {','.join(order)[:60]}, times in seconds and a pitch such as Bb4"
        )
    start_s = _number(row["start_s"], "start_s", where=where)
    end_s = _number(row["end_s"], "end_s", where=where)
    if not 0 <= start_s <= end_s - LEAST_NOTE_S:
        raise InputError(
            f"{where}: {start_s:g} to {end_s:g} s is no span; a note starts at 0 or later and "
            f"ends at least {LEAST_NOTE_S:g} s after it starts"
        )
    return GuideNote(start_s, end_s, _pitch(row["pitch"], where=where))


def _number(text: str, name: str, *, where: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(f'{where}: {name} "{text[:40]}" is not a number of seconds; write 12.4')
    if value > MAX_TIME_S:
        raise InputError(f"{where}: {name} is {value:g} s; a song lasts at most {MAX_TIME_S:g} s")
    return value


def _pitch(text: str, *, where: str) -> float:
    try:
        midi = float(text)
    except ValueError:
        try:
            return float(parse_pitch_name(text))
        except InputError:
            midi = math.nan
    if not 0 <= midi <= 127:
        raise InputError(
            f'{where}: pitch "{text[:40]}" is neither a note name like Bb4 nor a MIDI number 0 '
            "to 127"
        )
    return midi
