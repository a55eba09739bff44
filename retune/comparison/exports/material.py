"""What every export is made from, and the words about its origin that every file carries."""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from retune import __version__
from retune.carriers.changes import Edit, Plan
from retune.carriers.errors import UsageError
from retune.carriers.heard import Analysis, Note, StemAnalysis
from retune.carriers.install import how_to_add
from retune.carriers.text import own_file_stem
from retune.comparison.estimated import what_is_estimated
from retune.comparison.picture_rows import TensionPoint
from retune.song.moved import note_after

ORIGINAL = "original"


@dataclass(frozen=True, eq=False)
class Material:
    """A song and the variants to take away.

    `inputs` maps the file name of each stem to its SHA-256; `abouts` the name of a variant to
    what it is for, in the user's words; `tension` the name of a version to its curve, drawn
    beneath the picture.
    """

    analysis: Analysis
    plans: tuple[Plan, ...] = ()
    rights: str = ""
    source: str = ""
    inputs: Mapping[str, str] = field(default_factory=dict)
    abouts: Mapping[str, str] = field(default_factory=dict)
    tension: Mapping[str, tuple[TensionPoint, ...]] = field(default_factory=dict)

    @property
    def title(self) -> str:
        return self.analysis.title

    @property
    def stem_of_files(self) -> str:
        """What every file name begins with."""
        return own_file_stem(self.title).lower()

    @property
    def versions(self) -> tuple[tuple[str, Plan | None], ...]:
        """Name and plan of the original (no plan) and of each variant."""
        return ((ORIGINAL, None), *((plan.name, plan) for plan in self.plans))

    def curve(self, plan: Plan | None) -> tuple[TensionPoint, ...]:
        """The tension of a version, note by note; empty where none is known."""
        return self.tension.get(ORIGINAL if plan is None else plan.name, ())

    def about(self, plan: Plan) -> str:
        """What a variant is for, else its rules."""
        return self.abouts.get(plan.name) or "; ".join(plan.rules)

    @property
    def words(self) -> str:
        """Everything that the song file says and documents show."""
        notes = self.analysis.melody.notes if self.analysis.melody else ()
        lyrics = (note.lyric or "" for note in notes)
        sections = (section.name for section in self.analysis.sections)
        return " ".join([self.title, self.rights, *self.abouts.values(), *sections, *lyrics])


def software() -> str:
    """The name and version that stand in every file."""
    return f"retune {__version__}"


def label(plan: Plan | None) -> str:
    """ "unaltered", or that the music was altered, by which variant and which rules."""
    if plan is None:
        return "unaltered"
    caveat = f" ({plan.caveat})" if plan.caveat else ""
    return f"altered with retune{caveat}: {plan.name}: {'; '.join(plan.rules)}".rstrip(": ")


def origin(material: Material, *, digits: int = 64) -> str:
    """Which files a take-away was made from, by name and content (`digits` of each hash), and
    what of its music was heard and not given."""
    inputs = ", ".join(f"{name} sha256 {sha[:digits]}" for name, sha in material.inputs.items())
    made = f"made from {material.source}" + (f" ({inputs})" if inputs else "")
    return "; ".join(filter(None, (made, what_is_estimated(material.analysis))))


def provenance(material: Material, *plans: Plan | None) -> str:
    """One line: what made a file, from what, whether and how it was altered, and the rights."""
    altered = "; ".join(dict.fromkeys(label(plan) for plan in plans or (None,)))
    rights = f"; rights: {material.rights}" if material.rights else ""
    return f"{software()}; {origin(material)}; {altered}{rights}"


@dataclass(frozen=True)
class VersionNote:
    """A note as a version has it: `midi` its named pitch, `pitch_midi` the sung one, `edit`
    what moved it."""

    note: Note
    midi: int
    pitch_midi: float
    edit: Edit | None = None


def version_notes(
    stem: StemAnalysis, plan: Plan | None, analysis: Analysis
) -> tuple[VersionNote, ...]:
    """The notes of a stem with the pitches and times that `plan` gives them.

    A whole span that moves takes along every note whose middle lies in it.
    """
    edits = plan.of_stem(stem.name) if plan is not None else ()
    return tuple(_moved(note, edits, analysis) for note in stem.notes)


def _moved(note: Note, edits: tuple[Edit, ...], analysis: Analysis) -> VersionNote:
    middle = (note.start_s + note.end_s) / 2
    for edit in edits:
        if edit.note == note.index or (edit.note is None and edit.start_s <= middle < edit.end_s):
            semitones = edit.shift_cents / 100
            pitch = note.pitch_midi + semitones
            whole = round(note.midi_name + semitones)
            return VersionNote(note_after(note, edit, analysis), whole, pitch, edit)
    return VersionNote(note, note.midi_name, note.pitch_midi)


def need(module: str, *, extra: str) -> Any:
    """An optional library, or a UsageError that names the extra to install."""
    try:
        return importlib.import_module(module)
    except ImportError:
        raise UsageError(f"this export needs {module}: {how_to_add(extra)}") from None
