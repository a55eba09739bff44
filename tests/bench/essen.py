"""Folk tunes of the Essen collection as music21 ships them, read by a small parser of our own.

One line of the ABC text is one phrase. The collection is read where music21 installed it; nothing
of it is copied. Its licence, as music21 reports it, permits non-commercial use.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

LETTER = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
SIGN = {"^": 1, "_": -1, "=": 0}
SHARPS = {
    **dict(zip(("C", "G", "D", "A", "E", "B", "F#", "C#"), range(8), strict=True)),
    **dict(zip(("F", "Bb", "Eb", "Ab", "Db", "Gb", "Cb"), range(-1, -8, -1), strict=True)),
}
TOKEN = re.compile(r"(\^+|_+|=)?([A-Ga-gz])([,']*)(\d*)(/?)(\d*)(-?)|(\|)")


@dataclass(frozen=True)
class Tune:
    """A melody: `onset` and `duration` in quarters, `midi`, and `starts` (True where a note
    begins a phrase). `tonic_pc` and `is_minor` as the collection designates them, the mode by
    the commoner third (its K: lines hardly ever say minor). `bar` is in quarters."""

    corpus: str
    onset: tuple[float, ...]
    duration: tuple[float, ...]
    midi: tuple[int, ...]
    starts: tuple[bool, ...]
    tonic_pc: int
    is_minor: bool
    bar: float
    beat: float
    first_bar: float


def folder() -> Path:
    """Where music21 keeps the collection."""
    import music21

    return Path(music21.__file__).parent / "corpus" / "essenFolksong"


def read_tunes(pattern: str = "erk*.abc") -> list[Tune]:
    """All tunes of the files that match, in order of file name and place."""
    tunes = []
    for path in sorted(folder().glob(pattern)):
        for block in path.read_text(encoding="latin-1").split("X:")[1:]:
            tune = _tune(path.stem, block)
            if tune is not None:
                tunes.append(tune)
    return tunes


def _tune(corpus: str, block: str) -> Tune | None:
    head = dict(re.findall(r"^([LMK]):\s*(\S+)", block, re.M))
    body = [line for line in block.splitlines()[1:] if line and not re.match(r"[A-Za-z]:", line)]
    if not {"L", "M", "K"} <= head.keys() or not re.fullmatch(r"\d+/\d+", head["M"]) or not body:
        return None
    key = re.match(r"([A-G][b#]?)(m?)", head["K"])
    if key is None or key[1] not in SHARPS:
        return None
    sharps = SHARPS[key[1]] - (3 if key[2] else 0)
    rows = list(_notes(body, unit=Fraction(head["L"]) * 4, sharps=sharps))
    notes = [row for row in rows if row[2] is not None]
    if len(notes) < 4:
        return None
    tonic = (LETTER[key[1][0]] + key[1].count("#") - key[1].count("b")) % 12
    thirds = [(note[2] - tonic) % 12 for note in notes if note[2] is not None]
    top, bottom = (int(x) for x in head["M"].split("/")[:2])
    compound = bottom == 8 and top in (6, 9, 12)
    return Tune(
        corpus,
        tuple(float(n[0]) for n in notes),
        tuple(float(n[1]) for n in notes),
        tuple(int(n[2]) for n in notes if n[2] is not None),
        tuple(n[3] for n in notes),
        tonic,
        thirds.count(3) > thirds.count(4),
        top * 4 / bottom,
        1.5 if compound else 4 / bottom,
        float(rows[0][4]),
    )


Row = tuple[Fraction, Fraction, int | None, bool, Fraction]


def _notes(body: list[str], *, unit: Fraction, sharps: int) -> Iterator[Row]:
    """Yield (onset, duration, midi or None for a rest, starts a phrase, first barline)."""
    order = "FCGDAEB" if sharps > 0 else "BEADGCF"
    signature = dict.fromkeys(order[: abs(sharps)], 1 if sharps > 0 else -1)
    now, tied = Fraction(0), False
    first_bar: Fraction | None = None
    rows: list[list[object]] = []
    for line in body:
        fresh, here = True, dict[str, int]()
        for match in TOKEN.finditer(line):
            sign, name, octave, top, slash, bottom, tie, bar = match.groups()
            if bar:
                here = {}
                first_bar = now if first_bar is None else first_bar
                continue
            length = unit * int(top or 1) / (int(bottom or 2) if slash else 1)
            midi = None
            if name != "z":
                letter = name.upper() + octave
                if sign:
                    here[letter] = SIGN[sign[0]] * len(sign)
                alter = here.get(letter, signature.get(name.upper(), 0))
                lift = 12 * (name.islower() + octave.count("'") - octave.count(","))
                midi = 60 + LETTER[name.upper()] + alter + lift
            if tied and rows and rows[-1][2] == midi:
                rows[-1][1] = Fraction(rows[-1][1]) + length  # type: ignore[arg-type]
            else:
                rows.append([now, length, midi, fresh and midi is not None])
                fresh = fresh and midi is None
            tied = bool(tie)
            now += length
    start = first_bar or Fraction(0)
    for onset, length, midi, begins in rows:
        yield onset, length, midi, begins, start  # type: ignore[misc]
