"""What stands at the head of a bar in a score: key, meter, clef, tempo; how elements are made.

Element order follows the schema of MusicXML 4.0 (W3C, 2021).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from xml.etree import ElementTree as Xml

import numpy as np

from retune.carriers.barlines import Tempo
from retune.carriers.heard import Analysis, Key, StemAnalysis
from retune.comparison.exports.rhythm import Grid, Written, note_values
from retune.theory.signature import key_fifths

_MODES = {"major", "minor", "dorian", "phrygian", "lydian", "mixolydian", "locrian"}


@dataclass(frozen=True, eq=False)
class Part:
    """A stem on the grid: `first` and `last` bound the whole score, in units."""

    stem: StemAnalysis
    notes: tuple[Written, ...]
    grid: Grid
    first: int
    last: int
    analysis: Analysis
    with_chords: bool

    def bars(self) -> Iterator[tuple[int, int, int]]:
        """Number, first unit and end of every bar; the pickup is number 0 and may be short."""
        grid = self.grid
        bars = range(grid.bar_at(self.first), grid.bar_at(self.last - 1) + 1)
        for bar in bars:
            yield bar, max(grid.start(bar), self.first), grid.start(bar + 1)


def child(parent: Xml.Element, tag: str, text: object = None, /, **attributes: str) -> Xml.Element:
    """A new element inside another; a name ends in "_" where it is a word of Python, and "_" stands
    for "-"."""
    named = {name.rstrip("_").replace("_", "-"): value for name, value in attributes.items()}
    element = Xml.SubElement(parent, tag, named)
    if text is not None:
        element.text = _clean(str(text))
    return element


def _clean(text: str) -> str:
    """Without the control characters that XML 1.0 forbids."""
    return re.sub("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]", "", text)


def attributes(bar: Xml.Element, part: Part, number: int, start: int, *, is_first: bool) -> None:
    """Key, meter and clef where they begin; a key that changes on a barline is shown there, one
    that changes inside a bar at the next."""
    grid, bars = part.grid, part.analysis.bars
    spans, before = part.analysis.keys, grid.start(number - 1)
    keys = [s.key for s in spans if before < grid.unit(s.start_s) <= start]
    key = part.analysis.key if is_first else (keys[-1] if keys else None)
    meter = bars.meter_of(number)
    is_new_meter = is_first or meter != bars.meter_of(number - 1)
    if key is None and not is_new_meter:
        return
    facts = child(bar, "attributes")
    if is_first:
        child(facts, "divisions", grid.per_whole // 4)
    if is_first or key is not None:
        _signature(facts, key)
    if is_new_meter:
        sign = child(facts, "time")
        child(sign, "beats", meter[0])
        child(sign, "beat-type", meter[1])
    if is_first:
        _clef(facts, part)


def _signature(facts: Xml.Element, key: Key | None) -> None:
    signature = child(facts, "key")
    child(signature, "fifths", key_fifths(key))
    if key is not None and key.mode in _MODES:
        child(signature, "mode", key.mode)


def _clef(facts: Xml.Element, part: Part) -> None:
    """Treble from middle C up on average, an octave-treble for a low voice, else bass."""
    mean = float(np.mean([note.played.midi for note in part.notes]))
    clef = child(facts, "clef")
    child(clef, "sign", "G" if mean >= 52 else "F")
    child(clef, "line", 2 if mean >= 52 else 4)
    if 52 <= mean < 60:
        child(clef, "clef-octave-change", -1)


def tempi(bar: Xml.Element, part: Part, number: int, *, is_first: bool) -> None:
    """The tempo at first, over every part; where it changes, over the part that has the chords."""
    first, *later = part.analysis.bars.tempi
    if is_first:
        _tempo(bar, part, Tempo(number, 1.0, first.tempo_bpm))
    for tempo in later if part.with_chords else ():
        if tempo.bar == number:
            _tempo(bar, part, tempo)


def _tempo(bar: Xml.Element, part: Part, tempo: Tempo) -> None:
    units = part.grid.beat_units(tempo.bar)
    name, dots = note_values(part.grid)[units]
    direction = child(bar, "direction", placement="above")
    mark = child(child(direction, "direction-type"), "metronome")
    child(mark, "beat-unit", name)
    for _ in range(dots):
        child(mark, "beat-unit-dot")
    child(mark, "per-minute", f"{tempo.tempo_bpm:g}")
    if tempo.beat > 1:
        child(direction, "offset", round((tempo.beat - 1) * units))
    quarters = 4 * units / part.grid.per_whole
    child(direction, "sound", tempo=f"{tempo.tempo_bpm * quarters:g}")
