"""MusicXML 4.0 partwise: one score a version, a part for every stem with notes.

Element order follows the schema of MusicXML 4.0 (W3C, 2021). Scale degrees stand as words
beneath the notes; a bracket over a note says that the variant moved it, and from where.
A notehead in parentheses is in doubt.
"""

from __future__ import annotations

import re
from xml.etree import ElementTree as Xml

from retune.carriers.changes import Plan
from retune.carriers.errors import UsageError
from retune.carriers.heard import Chord, Key, Note, StemAnalysis
from retune.carriers.text import for_xml, pretty
from retune.comparison.exports.barhead import Part, attributes, child, tempi
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
    names = child(score, "part-list")
    for number, stem in enumerate(stems, 1):
        entry = child(names, "score-part", id=f"P{number}")
        child(entry, "part-name", stem.name)
    for number, (stem, notes) in enumerate(zip(stems, written, strict=True), 1):
        part = Part(stem, notes, grid, first, last, analysis, stem is lead)
        _write_part(child(score, "part", id=f"P{number}"), part)
    Xml.indent(score, " ")
    body = for_xml(Xml.tostring(score, encoding="unicode"))
    return (
        '<?xml version="1.0" encoding="UTF-8" standalone="no"?>\n'
        '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
        f'"http://www.musicxml.org/dtds/partwise.dtd">\n{body}\n'
    )


def _head(score: Xml.Element, material: Material, plan: Plan | None, resolution: int) -> None:
    title = material.title if plan is None else f"{material.title} ({plan.name})"
    child(child(score, "work"), "work-title", title)
    facts = child(score, "identification")
    if material.rights:
        child(facts, "rights", material.rights)
    child(child(facts, "encoding"), "software", software())
    child(facts, "source", origin(material))
    more = child(facts, "miscellaneous")
    child(more, "miscellaneous-field", label(plan), name="altered")
    rhythm = f"sung times rounded to 1/{resolution} notes"
    child(more, "miscellaneous-field", rhythm, name="rhythm")


def _write_part(element: Xml.Element, part: Part) -> None:
    for place, (number, start, end) in enumerate(part.bars()):
        bar = child(element, "measure", number=str(number))
        if end - start < part.grid.bar_units(number):
            bar.set("implicit", "yes")
        attributes(bar, part, number, start, is_first=place == 0)
        tempi(bar, part, number, is_first=place == 0)
        _fill(bar, part, start, end)
        if end == part.last:
            child(child(bar, "barline", location="right"), "bar-style", "light-heavy")


def _fill(bar: Xml.Element, part: Part, start: int, end: int) -> None:
    """The notes, rests and chords of a bar, in order of time."""
    chords = _chords_between(part, start, end) if part.with_chords else []
    at = start
    for note in (n for n in part.notes if n.start < end and n.end > start):
        _rest(bar, part, at, max(note.start, start), chords, whole_bar=False)
        at = _sounding(bar, part, note, max(note.start, start), min(note.end, end), chords)
    _rest(bar, part, at, end, chords, whole_bar=at == start)
    _beam(bar, part.grid, start)


def _beam(bar: Xml.Element, grid: Grid, start: int) -> None:
    """Join short notes within a beat; in 3/8, where the beat is one of them, within the bar."""
    number = grid.bar_at(start)
    placed, at = [], start - grid.start(number)
    for note in bar.iter("note"):
        placed.append((at, note))
        at += int(note.findtext("duration", "0"))
    beat = grid.beat_units(number)
    is_short = beat <= grid.per_whole // 8
    add_beams(placed, group=grid.bar_units(number) if is_short else beat)


def _chords_between(part: Part, start: int, end: int) -> list[tuple[int, Chord]]:
    found = [(part.grid.unit(chord.start_s), chord) for chord in part.analysis.chords]
    return [(unit, chord) for unit, chord in found if start <= unit < end]


def _due(bar: Xml.Element, at: int, stop: int, chords: list[tuple[int, Chord]]) -> None:
    """Write the chords that begin in [at, stop) before the note that sounds then."""
    while chords and chords[0][0] < stop:
        unit, chord = chords.pop(0)
        _harmony(bar, chord, offset=unit - at)


def _rest(
    bar: Xml.Element,
    part: Part,
    start: int,
    end: int,
    chords: list[tuple[int, Chord]],
    *,
    whole_bar: bool,
) -> None:
    if whole_bar and end > start:
        _due(bar, start, end, chords)
        note = child(bar, "note")
        child(note, "rest", measure="yes")
        child(note, "duration", end - start)
        return
    for first, last in pieces(start, end, part.grid):
        _due(bar, first, last, chords)
        note = child(bar, "note")
        child(note, "rest")
        child(note, "duration", last - first)
        _value(note, part, last - first)


def _sounding(
    bar: Xml.Element,
    part: Part,
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
        note = child(bar, "note")
        _pitch(note, played, key)
        child(note, "duration", last - first)
        ties = _ties(written, first, last)
        for kind in ties:
            child(note, "tie", type=kind)
        _value(note, part, last - first)
        if played.note.is_doubtful:
            child(note, "notehead", "normal", parentheses="yes")
        if ties:
            marks = child(note, "notations")
            for kind in ties:
                child(marks, "tied", type=kind)
        if first == written.start:
            _lyric(note, part.stem, played.note)
        if last == written.end and played.edit is not None:
            direction = child(bar, "direction", placement="above")
            end_mark = child(direction, "direction-type")
            child(end_mark, "bracket", type="stop", number="1", line_end="down")
    return end


def _lyric(note: Xml.Element, stem: StemAnalysis, sung: Note) -> None:
    """The syllable of a note, and a line after it where the notes that follow hold it."""
    if not sung.lyric or sung.lyric == HELD:
        return
    before = [n.lyric for n in stem.notes[: sung.index - 1] if n.lyric != HELD]
    after = stem.notes[sung.index : sung.index + 1]
    goes_on = sung.lyric.endswith("-")
    follows = bool(before and before[-1] and before[-1].endswith("-"))
    lyric = child(note, "lyric", number="1")
    kind = ("middle" if goes_on else "end") if follows else ("begin" if goes_on else "single")
    child(lyric, "syllabic", kind)
    child(lyric, "text", sung.lyric.removesuffix("-"))
    if after and after[0].lyric == HELD and not goes_on:
        child(lyric, "extend")


def _ties(written: Written, first: int, last: int) -> list[str]:
    before = ["stop"] if first > written.start else []
    return [*before, *(["start"] if last < written.end else [])]


def _above(bar: Xml.Element, played: VersionNote) -> None:
    """A bracket that opens over a moved note, with the name it had."""
    if played.edit is None:
        return
    words = child(child(bar, "direction", placement="above"), "direction-type")
    child(words, "words", f"was {pretty(played.note.name)}")
    kind = child(child(bar, "direction", placement="above"), "direction-type")
    child(kind, "bracket", type="start", number="1", line_end="down")


def _degree(bar: Xml.Element, played: VersionNote) -> None:
    degree = played.edit.to_degree if played.edit is not None else played.note.degree
    if degree:
        direction = child(bar, "direction", placement="below")
        child(child(direction, "direction-type"), "words", pretty(degree))


def _pitch(note: Xml.Element, played: VersionNote, key: Key | None) -> None:
    name = played.note.name
    if played.edit is not None:
        name = played.edit.to_name or pitch_name(played.midi, key)
    match = _NAME.fullmatch(name) or _NAME.fullmatch(pitch_name(played.midi))
    assert match is not None  # pitch_name writes nothing else
    pitch = child(note, "pitch")
    child(pitch, "step", match[1])
    if match[2]:
        child(pitch, "alter", accidental_semitones(match[2]))
    child(pitch, "octave", match[3])


def _value(note: Xml.Element, part: Part, units: int) -> None:
    name, dots = note_values(part.grid)[units]
    child(note, "type", name)
    for _ in range(dots):
        child(note, "dot")


def _harmony(bar: Xml.Element, chord: Chord, *, offset: int = 0) -> None:
    parts = chord_parts(chord)
    harmony = child(bar, "harmony")
    root = parts.root if parts.degrees else "C"
    place = child(harmony, "root")
    child(place, "root-step", root[0])
    if root[1:]:
        child(place, "root-alter", accidental_semitones(root[1:]))
    quality = chord.label.partition(":")[2].partition("/")[0]
    if not parts.degrees:
        child(harmony, "kind", "none", text="N.C.")
    else:
        words = chord_name(chord).partition("/")[0].removeprefix(parts.root)
        child(harmony, "kind", _KINDS.get(quality, "other"), text=pretty(words))
    if parts.degrees and parts.bass != "1":
        bass = bass_name(parts)
        below = child(harmony, "bass")
        child(below, "bass-step", bass[0])
        if bass[1:]:
            child(below, "bass-alter", accidental_semitones(bass[1:]))
    if offset:
        child(harmony, "offset", offset)
