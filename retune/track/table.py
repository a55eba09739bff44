"""f0 made elsewhere, from a CSV table."""

from __future__ import annotations

import csv
from array import array
from collections.abc import Iterator
from math import isfinite
from pathlib import Path

import numpy as np

from retune.carriers.errors import InputError
from retune.carriers.heard import AudioLike, FloatArray, PitchTrack
from retune.carriers.units import gain_to_db
from retune.song.limits import MAX_F0_BYTES, MAX_F0_ROWS, MAX_TEXT, check_count
from retune.song.textfile import read_text
from retune.track.stream import framed_blocks, mono_blocks

HOP_S = 0.01
LEVEL_RATE_HZ = 16000
LEVEL_HOP = 160
LEVEL_WINDOW = 481
CUT_CHARS = 1 << 16
MOST_LINES_A_ROW = 20
WHAT = "an f0 table: a CSV file with time_s,f0_hz"


class F0Table:
    """A table `time_s,f0_hz`, one row a time, 0 or NaN where unvoiced, with or without a header.

    Rows need not be evenly spaced; the track has a frame every 10 ms. Between two voiced rows f0
    is interpolated (in log frequency) unless they lie more than three usual steps apart.
    """

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        self.name = f"csv:{self.path.name}"

    def track(self, audio: AudioLike, *, fmin_hz: float, fmax_hz: float) -> PitchTrack:
        """The table's own f0, whatever `fmin_hz` and `fmax_hz` say; level from `audio`."""
        row_s, row_hz = read_table(self.path)
        energy_db = levels_db(audio)
        time_s = np.arange(len(energy_db), dtype=np.float64) * HOP_S
        f0_hz = resampled(row_s, row_hz, time_s)
        return PitchTrack(time_s, f0_hz, np.isfinite(f0_hz), energy_db, self.name)


def read_table(path: Path) -> tuple[FloatArray, FloatArray]:
    """Times in s and f0 in Hz (NaN where unvoiced) of every row.

    Raises
    ------
    InputError
        No such file, a row that is not two numbers, times that do not rise, no rows at all, or
        more than `MAX_F0_ROWS`.
    """
    text = read_text(path, what=WHAT, max_bytes=MAX_F0_BYTES)
    row_s, row_hz = array("d"), array("d")
    for line, cells in enumerate(split(text, path=path), start=1):
        check_count(line, MAX_F0_ROWS, "rows", where=str(path))
        if not any(cell.strip() for cell in cells) or cells[0].lstrip().startswith("#"):
            continue
        row = numbers(cells)
        if row is None and not row_s and line == first_line(text):
            continue  # a header
        time_s, f0_hz = checked(row, path=path, line=line)
        if row_s and time_s <= row_s[-1]:
            raise InputError(
                f"{path}, line {line}: time {time_s:g} s does not come after {row_s[-1]:g} s; "
                "sort the rows by time"
            )
        row_s.append(time_s)
        row_hz.append(f0_hz if f0_hz > 0 else np.nan)
    if not row_s:
        raise InputError(f"{path}: no rows; an f0 table holds time_s,f0_hz, one row a time")
    return np.array(row_s), np.array(row_hz)


def split(text: str, *, path: Path) -> Iterator[list[str]]:
    """The cells of every row, each when it is asked for."""
    n_read = 0

    def lines() -> Iterator[str]:
        for number, line in enumerate(lines_of(text), start=1):
            if len(line) > MAX_TEXT or number - n_read > MOST_LINES_A_ROW:
                problem = "too long for a row, or a quote before it is not closed"
                raise InputError(f"{path}, line {number}: {problem}; mend the line")
            yield line

    reader = csv.reader(lines())
    try:
        for cells in reader:
            yield cells
            n_read = reader.line_num
    except csv.Error as error:
        raise InputError(
            f"{path}, line {reader.line_num}: does not read as CSV ({error}); mend the line"
        ) from error


def lines_of(text: str) -> Iterator[str]:
    """The same as `text.splitlines()`, a stretch of the text at a time."""
    start = 0
    while start < len(text):
        stop = text.find("\n", start + CUT_CHARS) + 1 or len(text)
        yield from text[start:stop].splitlines()
        start = stop


def first_line(text: str) -> int:
    """Number of the first line that is neither empty nor a comment."""
    for line, content in enumerate(lines_of(text), start=1):
        if content.strip() and not content.lstrip().startswith("#"):
            return line
    return 0


def numbers(cells: list[str]) -> tuple[float, float] | None:
    """The first two cells as numbers, an empty f0 as NaN; None when they are none."""
    try:
        return float(cells[0]), float(cells[1].strip() or "nan")
    except (ValueError, IndexError):
        return None


def checked(row: tuple[float, float] | None, *, path: Path, line: int) -> tuple[float, float]:
    """`row` if it makes sense, else InputError."""
    if row is None:
        raise InputError(
            f"{path}, line {line}: not two numbers; each row is time_s,f0_hz (0 or nan where "
            "nothing is voiced)"
        )
    time_s, f0_hz = row
    if not isfinite(time_s) or time_s < 0:
        raise InputError(f"{path}, line {line}: time {time_s:g} s; times are 0 or later")
    if f0_hz < 0 or f0_hz > 20000:
        raise InputError(f"{path}, line {line}: f0 {f0_hz:g} Hz; allowed is 0 to 20000 Hz")
    return time_s, f0_hz


def resampled(row_s: FloatArray, row_hz: FloatArray, time_s: FloatArray) -> FloatArray:
    """f0 at `time_s` from rows at `row_s`; NaN outside them and across gaps."""
    usual_s = float(np.median(np.diff(row_s))) if len(row_s) > 1 else HOP_S
    after = np.clip(np.searchsorted(row_s, time_s), 1, max(len(row_s) - 1, 1))
    if len(row_s) == 1:
        return np.where(np.abs(time_s - row_s[0]) <= HOP_S / 2, row_hz[0], np.nan)
    before = after - 1
    gap_s = row_s[after] - row_s[before]
    place = (time_s - row_s[before]) / gap_s
    low, high = np.log(row_hz[before]), np.log(row_hz[after])
    nearest = np.where(place < 0.5, low, high)
    log_hz = np.where(np.isfinite(low) & np.isfinite(high), low + (high - low) * place, nearest)
    near_s = np.minimum(np.abs(place), np.abs(1 - place)) * gap_s
    reach = (time_s >= row_s[0] - usual_s / 2) & (time_s <= row_s[-1] + usual_s / 2)
    log_hz = np.where(np.clip(place, 0, 1) == place, log_hz, nearest)
    known = reach & ((gap_s <= 3 * usual_s) | (near_s <= usual_s / 2))
    f0_hz: FloatArray = np.where(known, np.exp(log_hz), np.nan)
    return f0_hz


def levels_db(audio: AudioLike) -> FloatArray:
    """Level re full scale every 10 ms, Hann-weighted over 30 ms."""
    weights = np.hanning(LEVEL_WINDOW + 2)[1:-1]
    weights /= weights.sum()
    powers = [np.zeros(0)]
    blocks = mono_blocks(audio, rate_hz=LEVEL_RATE_HZ)
    for stretch in framed_blocks(blocks, window=LEVEL_WINDOW, hop=LEVEL_HOP, batch=256):
        frames = np.lib.stride_tricks.sliding_window_view(stretch**2, LEVEL_WINDOW)[::LEVEL_HOP]
        powers.append(frames @ weights)
    levels: FloatArray = gain_to_db(np.sqrt(np.concatenate(powers)))
    return levels
