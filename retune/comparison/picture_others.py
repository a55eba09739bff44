"""Harmonies and bass beside the melody of a picture: a bar a note, whole octaves nearer to it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from retune.carriers.changes import Plan
from retune.carriers.heard import Analysis, StemAnalysis
from retune.comparison.picture_layout import System
from retune.comparison.picture_line import edit_of_note
from retune.comparison.svg import Pen

ROLES = ("harmony", "bass")
"""Doubles lie on the melody, and would hide it."""


@dataclass(frozen=True)
class OtherNote:
    """From when to when, at what pitch (MIDI) it is drawn, and where the variant has it."""

    start_s: float
    end_s: float
    pitch: float
    new_pitch: float


@dataclass(frozen=True)
class OtherLine:
    """A stem beside the melody; `octaves` says how many it is drawn above where it sounds."""

    name: str
    octaves: int
    notes: tuple[OtherNote, ...]

    @property
    def words(self) -> str:
        if not self.octaves:
            return self.name
        size = "octave" if abs(self.octaves) == 1 else f"{abs(self.octaves)} octaves"
        return f"{self.name}, drawn {size} {'higher' if self.octaves > 0 else 'lower'}"


def other_lines(analysis: Analysis, plan: Plan | None) -> tuple[OtherLine, ...]:
    """The harmonies and basses of a song that have notes."""
    melody = analysis.melody
    if melody is None or not melody.notes:
        return ()
    middle = _middle(melody)
    stems = [stem for stem in analysis.stems.values() if stem.role in ROLES and stem.notes]
    return tuple(_line(stem, plan, round((middle - _middle(stem)) / 12)) for stem in stems)


def _middle(stem: StemAnalysis) -> float:
    return float(np.median([note.midi_name for note in stem.notes]))


def _line(stem: StemAnalysis, plan: Plan | None, octaves: int) -> OtherLine:
    edits = [edit for edit in (plan.edits if plan else ()) if edit.stem == stem.name]
    notes = []
    for note in stem.notes:
        edit = edit_of_note(note, edits)
        pitch = note.midi_name + 12.0 * octaves
        moved = pitch + (edit.shift_cents / 100 if edit is not None else 0.0)
        notes.append(OtherNote(note.start_s, note.end_s, pitch, moved))
    return OtherLine(stem.name, octaves, tuple(notes))


def draw_other_lines(pen: Pen, system: System, lines: Sequence[OtherLine]) -> None:
    """The bars of every line that fall into a system, its name over the first."""
    for line in lines:
        here = [note for note in line.notes if system.holds(note.start_s)]
        for note in here:
            _bar(pen, system, note, note.pitch, "glide")
            if note.new_pitch != note.pitch:
                _bar(pen, system, note, note.new_pitch, "newglide")
        if here:
            y = system.pitch_y(here[0].pitch) - 0.6 * system.layout.f
            pen.text(system.x(here[0].start_s), y, line.words, "s i doubt")


def _bar(pen: Pen, system: System, note: OtherNote, pitch: float, css: str) -> None:
    """A bar with its ends turned up, which no lane has, on paper left free around it."""
    y, turn = system.pitch_y(pitch), 0.4 * system.layout.f
    first, last = system.x(note.start_s), system.x(note.end_s)
    pen.line(first, y, last, y, "halo")
    pen.path([(first, y - turn), (first, y), (last, y), (last, y - turn)], css)
