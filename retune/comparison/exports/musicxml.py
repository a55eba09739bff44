"""MusicXML 4.0 partwise: one score a version, a part for every stem with notes.

Element order follows the schema of MusicXML 4.0 (W3C, 2021). Scale degrees stand as words
beneath the notes; a bracket over a note says that the variant moved it, and from where.
A notehead in parentheses is in doubt.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from xml.etree import ElementTree as Xml

import numpy as np

from retune.carriers.changes import Plan
from retune.carriers.errors import UsageError
from retune.carriers.heard import Analysis, Chord, Key, Note, StemAnalysis
from retune.carriers.text import for_xml, pretty
from retune.comparison.exports.beams import add_beams
from retune.comparison.exports.material import (
    Material,
    VersionNote,
    label,
    origin,
    software,
    version_notes,
)
from retune.comparison.exports.rhythm import (
    Grid,
    Written,
    first_unit,
    grid_of,
    last_unit,
    note_values,
    pieces,
    written_notes,
)
from retune.theory.chordnames import bass_name, chord_name
from retune.theory.chords import chord_parts
from retune.theory.pitchnames import accidental_semitones
from retune.theory.signature import key_fifths
from retune.theory.spelling import pitch_name

HELD = "_"
_NAME = re.compile(r"([A-G])([b#]*)(-?\d+)")
# Harte shorthand: kind of MusicXML's kind-value list (from memory; music21 reads them back).
_KINDS = {
    "maj": "major",
    "min": "minor",
    "dim": "diminished",
    "aug": "augmented",
    "7": "dominant",
    "maj7": "major-seventh",
    "min7": "minor-seventh",
    "dim7": "diminished-seventh",
    "hdim7": "half-diminished",
    "minmaj7": "major-minor",
    "maj6": "major-sixth",
    "min6": "minor-sixth",
    "9": "dominant-ninth",
    "maj9": "major-ninth",
    "min9": "minor-ninth",
    "sus2": "suspended-second",
    "sus4": "suspended-fourth",
    "5": "power",
}
_MODES = {"major", "minor", "dorian", "phrygian", "lydian", "mixolydian", "locrian"}


@dataclass(frozen=True, eq=False)
class _Part:
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
        per_bar = self.grid.per_bar
        edges = [self.first, *range((self.first // per_bar + 1) * per_bar, self.last + 1, per_bar)]
        for start, end in pairwise(edges):
            yield start // per_bar + 1, start, end


def musicxml_text(material: Material, plan: Plan | None, *, resolution: int = 16) -> str:
    """The score of one version as XML text; rhythm on a grid of `resolution` to a whole note.

    Raises
    ------
    UsageError
        No bars are known, no stem has notes, or the resolution does not exist.
    """
    analysis = material.analysis
    grid = grid_of(analysis.bars, resolution=resolution)
    stems = [stem for stem in analysis.stems.values() if stem.notes]
    if not stems:
        raise UsageError("there are no notes to write as a score: name a melody or a bass stem")
    written = [written_notes(version_notes(stem, plan, analysis), grid) for stem in stems]
    first, last = first_unit(written, grid), last_unit(written, grid)
    lead = analysis.melody or stems[0]
    score = Xml.Element("score-partwise", version="4.0")
    _head(score, material, plan, resolution)
    names = _child(score, "part-list")
    for number, stem in enumerate(stems, 1):
        entry = _child(names, "score-part", id=f"P{number}")
        _child(entry, "part-name", stem.name)
    for number, (stem, notes) in enumerate(zip(stems, written, strict=True), 1):
        part = _Part(stem, notes, grid, first, last, analysis, stem is lead)
        _write_part(_child(score, "part", id=f"P{number}"), part)
    Xml.indent(score, " ")
    body = for_xml(Xml.tostring(score, encoding="unicode"))
    return (
        '<?xml version="1.0" encoding="UTF-8" standalone="no"?>\n'
        '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
        f'"http://www.musicxml.org/dtds/partwise.dtd">\n{body}\n'
    )


def _child(parent: Xml.Element, tag: str, text: object = None, /, **attributes: str) -> Xml.Element:
    named = {name.rstrip("_").replace("_", "-"): value for name, value in attributes.items()}
    element = Xml.SubElement(parent, tag, named)
    if text is not None:
        element.text = _clean(str(text))
    return element


def _clean(text: str) -> str:
    """Without the control characters that XML 1.0 forbids."""
    return re.sub("[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]", "", text)


def _head(score: Xml.Element, material: Material, plan: Plan | None, resolution: int) -> None:
    title = material.title if plan is None else f"{material.title} ({plan.name})"
    _child(_child(score, "work"), "work-title", title)
    facts = _child(score, "identification")
    if material.rights:
        _child(facts, "rights", material.rights)
    _child(_child(facts, "encoding"), "software", software())
    _child(facts, "source", origin(material))
    more = _child(facts, "miscellaneous")
    _child(more, "miscellaneous-field", label(plan), name="altered")
    rhythm = f"sung times rounded to 1/{resolution} notes"
    _child(more, "miscellaneous-field", rhythm, name="rhythm")


def _write_part(element: Xml.Element, part: _Part) -> None:
    for place, (number, start, end) in enumerate(part.bars()):
        bar = _child(element, "measure", number=str(number))
        if end - start < part.grid.per_bar:
            bar.set("implicit", "yes")
        _attributes(bar, part, start, end, is_first=place == 0)
        if place == 0:
            _tempo(bar, part)
        _fill(bar, part, start, end)
        if end == part.last:
            _child(_child(bar, "barline", location="right"), "bar-style", "light-heavy")


def _attributes(bar: Xml.Element, part: _Part, start: int, end: int, *, is_first: bool) -> None:
    """Key, meter and clef where they begin; a key that changes on a barline is shown there, one
    that changes inside a bar at the next."""
    spans = part.analysis.keys
    keys = [s.key for s in spans if start - part.grid.per_bar < part.grid.unit(s.start_s) <= start]
    key = part.analysis.key if is_first else (keys[-1] if keys else None)
    if key is None and not is_first:
        return
    facts = _child(bar, "attributes")
    if is_first:
        _child(facts, "divisions", part.grid.per_whole // 4)
    signature = _child(facts, "key")
    _child(signature, "fifths", key_fifths(key))
    if key is not None and key.mode in _MODES:
        _child(signature, "mode", key.mode)
    if is_first:
        meter = _child(facts, "time")
        _child(meter, "beats", part.analysis.bars.meter[0])
        _child(meter, "beat-type", part.analysis.bars.meter[1])
        _clef(facts, part)


def _clef(facts: Xml.Element, part: _Part) -> None:
    """Treble from middle C up on average, an octave-treble for a low voice, else bass."""
    mean = float(np.mean([note.played.midi for note in part.notes]))
    clef = _child(facts, "clef")
    _child(clef, "sign", "G" if mean >= 52 else "F")
    _child(clef, "line", 2 if mean >= 52 else 4)
    if 52 <= mean < 60:
        _child(clef, "clef-octave-change", -1)


def _tempo(bar: Xml.Element, part: _Part) -> None:
    bars = part.analysis.bars
    name, dots = note_values(part.grid)[part.grid.per_beat]
    direction = _child(bar, "direction", placement="above")
    mark = _child(_child(direction, "direction-type"), "metronome")
    _child(mark, "beat-unit", name)
    for _ in range(dots):
        _child(mark, "beat-unit-dot")
    _child(mark, "per-minute", f"{bars.tempo_bpm:g}")
    quarters = 4 * part.grid.per_beat / part.grid.per_whole
    _child(direction, "sound", tempo=f"{bars.tempo_bpm * quarters:g}")


def _fill(bar: Xml.Element, part: _Part, start: int, end: int) -> None:
    """The notes, rests and chords of a bar, in order of time."""
    chords = _chords_between(part, start, end) if part.with_chords else []
    at = start
    for note in (n for n in part.notes if n.start < end and n.end > start):
        _rest(bar, part, at, max(note.start, start), chords, whole_bar=False)
        at = _sounding(bar, part, note, max(note.start, start), min(note.end, end), chords)
    _rest(bar, part, at, end, chords, whole_bar=at == start)
    _beam(bar, part, start)


def _beam(bar: Xml.Element, part: _Part, start: int) -> None:
    """Join short notes within a beat; in 3/8, where the beat is one of them, within the bar."""
    placed, at = [], start
    for note in bar.iter("note"):
        placed.append((at, note))
        at += int(note.findtext("duration", "0"))
    grid = part.grid
    is_short = grid.per_beat <= grid.per_whole // 8
    add_beams(placed, group=grid.per_bar if is_short else grid.per_beat)


def _chords_between(part: _Part, start: int, end: int) -> list[tuple[int, Chord]]:
    found = [(part.grid.unit(chord.start_s), chord) for chord in part.analysis.chords]
    return [(unit, chord) for unit, chord in found if start <= unit < end]


def _due(bar: Xml.Element, at: int, stop: int, chords: list[tuple[int, Chord]]) -> None:
    """Write the chords that begin in [at, stop) before the note that sounds then."""
    while chords and chords[0][0] < stop:
        unit, chord = chords.pop(0)
        _harmony(bar, chord, offset=unit - at)


def _rest(
    bar: Xml.Element,
    part: _Part,
    start: int,
    end: int,
    chords: list[tuple[int, Chord]],
    *,
    whole_bar: bool,
) -> None:
    if whole_bar and end > start:
        _due(bar, start, end, chords)
        note = _child(bar, "note")
        _child(note, "rest", measure="yes")
        _child(note, "duration", end - start)
        return
    for first, last in pieces(start, end, part.grid):
        _due(bar, first, last, chords)
        note = _child(bar, "note")
        _child(note, "rest")
        _child(note, "duration", last - first)
        _value(note, part, last - first)


def _sounding(
    bar: Xml.Element,
    part: _Part,
    written: Written,
    start: int,
    end: int,
    chords: list[tuple[int, Chord]],
) -> int:
    """One note's part of a bar, tied across barlines and beats; returns where it ends."""
    played = written.played
    key = part.analysis.key_at(played.note.start_s)
    for first, last in pieces(start, end, part.grid):
        _due(bar, first, last, chords)
        if first == written.start:
            _above(bar, played)
            _degree(bar, played)
        note = _child(bar, "note")
        _pitch(note, played, key)
        _child(note, "duration", last - first)
        ties = _ties(written, first, last)
        for kind in ties:
            _child(note, "tie", type=kind)
        _value(note, part, last - first)
        if played.note.is_doubtful:
            _child(note, "notehead", "normal", parentheses="yes")
        if ties:
            marks = _child(note, "notations")
            for kind in ties:
                _child(marks, "tied", type=kind)
        if first == written.start:
            _lyric(note, part.stem, played.note)
        if last == written.end and played.edit is not None:
            direction = _child(bar, "direction", placement="above")
            end_mark = _child(direction, "direction-type")
            _child(end_mark, "bracket", type="stop", number="1", line_end="down")
    return end


def _lyric(note: Xml.Element, stem: StemAnalysis, sung: Note) -> None:
    """The syllable of a note, and a line after it where the notes that follow hold it."""
    if not sung.lyric or sung.lyric == HELD:
        return
    before = [n.lyric for n in stem.notes[: sung.index - 1] if n.lyric != HELD]
    after = stem.notes[sung.index : sung.index + 1]
    goes_on = sung.lyric.endswith("-")
    follows = bool(before and before[-1] and before[-1].endswith("-"))
    lyric = _child(note, "lyric", number="1")
    kind = ("middle" if goes_on else "end") if follows else ("begin" if goes_on else "single")
    _child(lyric, "syllabic", kind)
    _child(lyric, "text", sung.lyric.removesuffix("-"))
    if after and after[0].lyric == HELD and not goes_on:
        _child(lyric, "extend")


def _ties(written: Written, first: int, last: int) -> list[str]:
    before = ["stop"] if first > written.start else []
    return [*before, *(["start"] if last < written.end else [])]


def _above(bar: Xml.Element, played: VersionNote) -> None:
    """A bracket that opens over a moved note, with the name it had."""
    if played.edit is None:
        return
    words = _child(_child(bar, "direction", placement="above"), "direction-type")
    _child(words, "words", f"was {pretty(played.note.name)}")
    kind = _child(_child(bar, "direction", placement="above"), "direction-type")
    _child(kind, "bracket", type="start", number="1", line_end="down")


def _degree(bar: Xml.Element, played: VersionNote) -> None:
    degree = played.edit.to_degree if played.edit is not None else played.note.degree
    if degree:
        direction = _child(bar, "direction", placement="below")
        _child(_child(direction, "direction-type"), "words", pretty(degree))


def _pitch(note: Xml.Element, played: VersionNote, key: Key | None) -> None:
    name = played.note.name
    if played.edit is not None:
        name = played.edit.to_name or pitch_name(played.midi, key)
    match = _NAME.fullmatch(name) or _NAME.fullmatch(pitch_name(played.midi))
    assert match is not None  # pitch_name writes nothing else
    pitch = _child(note, "pitch")
    _child(pitch, "step", match[1])
    if match[2]:
        _child(pitch, "alter", accidental_semitones(match[2]))
    _child(pitch, "octave", match[3])


def _value(note: Xml.Element, part: _Part, units: int) -> None:
    name, dots = note_values(part.grid)[units]
    _child(note, "type", name)
    for _ in range(dots):
        _child(note, "dot")


def _harmony(bar: Xml.Element, chord: Chord, *, offset: int = 0) -> None:
    parts = chord_parts(chord)
    harmony = _child(bar, "harmony")
    root = parts.root if parts.degrees else "C"
    place = _child(harmony, "root")
    _child(place, "root-step", root[0])
    if root[1:]:
        _child(place, "root-alter", accidental_semitones(root[1:]))
    quality = chord.label.partition(":")[2].partition("/")[0]
    if not parts.degrees:
        _child(harmony, "kind", "none", text="N.C.")
    else:
        words = chord_name(chord).partition("/")[0].removeprefix(parts.root)
        _child(harmony, "kind", _KINDS.get(quality, "other"), text=pretty(words))
    if parts.degrees and parts.bass != "1":
        bass = bass_name(parts)
        below = _child(harmony, "bass")
        _child(below, "bass-step", bass[0])
        if bass[1:]:
            _child(below, "bass-alter", accidental_semitones(bass[1:]))
    if offset:
        _child(harmony, "offset", offset)
