"""Tension note by note, as sung and as a plan has it: every term of `tensionmodels`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from retune.carriers.changes import Plan
from retune.carriers.heard import Analysis, Key, Note, StemAnalysis
from retune.rules.scene import Scene
from retune.theory.tensionmodels import Tension, note_tension

Term = Literal["harmonic", "harmony", "surface", "instability", "attraction", "magnetism"]
TERMS: tuple[Term, ...] = (
    "harmonic",
    "harmony",
    "surface",
    "instability",
    "attraction",
    "magnetism",
)
CurvePoint = tuple[float, float, float | None]


@dataclass(frozen=True)
class NoteTension:
    """The terms of one note before and after a plan; equal where the plan leaves it and its chord
    alone. `is_phrase_ending` as in the note."""

    note: int
    start_s: float
    end_s: float
    before: Tension
    after: Tension
    is_phrase_ending: bool = False

    @property
    def is_changed(self) -> bool:
        return self.before != self.after


def plan_tension(
    analysis: Analysis, plan: Plan, *, stem: str | None = None
) -> tuple[NoteTension, ...]:
    """The tension of every note of a voice, as sung and in the variant.

    A note is weighed over the chord it is judged by, with bass and backing as the plan moves them;
    distances count from the tonic chord of the song's first key. Lerdahl's tree of prolongations
    is not drawn, so a value tells how far an event lies from home, not how it is led there.

    Parameters
    ----------
    analysis, plan : Analysis, Plan
        A song and what is moved in it.
    stem : str, optional
        Which voice; the melody by default.

    Returns
    -------
    tuple of NoteTension
        In order of time; empty without a key or without a melody.
    """
    voice = analysis.melody if stem is None else analysis.stems[stem]
    home = analysis.key
    if voice is None or home is None:
        return ()
    scene = Scene(analysis, plan)
    return tuple(_of_note(scene, voice, note, home) for note in voice.notes)


def _of_note(scene: Scene, voice: StemAnalysis, note: Note, home: Key) -> NoteTension:
    key = scene.analysis.key_at(note.start_s) or home
    return NoteTension(
        note=note.index,
        start_s=note.start_s,
        end_s=note.end_s,
        before=note_tension(note.midi_name, note.chord, key, home),
        after=note_tension(scene.midi_after(voice, note), scene.chord_after(note), key, home),
        is_phrase_ending=note.is_phrase_ending,
    )


def tension_curve(
    notes: Sequence[NoteTension], *, term: Term | None = None
) -> tuple[CurvePoint, ...]:
    """(seconds of the middle of a note, value as sung, value in the variant or None where it is
    the same or not known) of one term.

    Without a `term` that of `curve_term`: one curve never mixes two measures. Notes without the
    term, as in a pickup before the first chord, are left out.
    """
    chosen = term or curve_term(notes)
    points: list[CurvePoint] = []
    for note in notes:
        before, after = getattr(note.before, chosen), getattr(note.after, chosen)
        if before is not None:
            is_same = after is None or after == before
            middle_s = (note.start_s + note.end_s) / 2
            points.append((middle_s, float(before), None if is_same else float(after)))
    return tuple(points)


def curve_term(notes: Sequence[NoteTension]) -> Term:
    """The term that one curve can show for most of these notes: "harmonic" where at least half of
    them have a chord, else "instability", which needs none."""
    known = sum(note.before.harmonic is not None for note in notes)
    return "harmonic" if 2 * known >= len(notes) > 0 else "instability"
