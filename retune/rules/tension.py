"""Tension note by note, as sung and as a plan has it: every term of `tensionmodels`."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from retune.carriers.changes import Plan
from retune.carriers.heard import Analysis, Note, StemAnalysis
from retune.rules.scene import Scene, spans_of
from retune.theory.keys import home_at
from retune.theory.noteroles import Span
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
    """The terms of a note over one of the chords under it, before and after a plan; equal where
    the plan leaves it and its chord alone. `is_phrase_ending` as in the note."""

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

    A note is weighed over each chord that sounds under it, with bass and backing as the plan moves
    them; distances count from the tonic chord of the home key (`theory.keys.home_at`). Lerdahl's
    tree of prolongations is not drawn, so a value tells how far an event lies from home, not how it
    is led there.

    Parameters
    ----------
    analysis, plan : Analysis, Plan
        A song and what is moved in it.
    stem : str, optional
        Which voice; the melody by default.

    Returns
    -------
    tuple of NoteTension
        In order of time, one for each note and chord under it (one without chords); empty without
        a key or without a melody.
    """
    voice = analysis.melody if stem is None else analysis.stems[stem]
    if voice is None or analysis.key is None:
        return ()
    scene = Scene(analysis, plan)
    return tuple(part for note in voice.notes for part in _of_note(scene, voice, note))


def _of_note(scene: Scene, voice: StemAnalysis, note: Note) -> Iterator[NoteTension]:
    midi, spans = scene.midi_after(voice, note), spans_of(note)
    if len(spans) < 2 or scene.after(note) is not note:
        spans, moved = (Span(note.start_s, note.end_s, note.chord),), [scene.chord_after(note)]
    else:
        moved = [scene.chord_under(note, k) for k in range(len(spans))]
    for span, chord in zip(spans, moved, strict=True):
        key, key_after = (at.key_at(span.start_s) for at in (scene.analysis, scene.band))
        home, home_after = (home_at(at.keys, span.start_s) for at in (scene.analysis, scene.band))
        if key is None or key_after is None:
            continue
        yield NoteTension(
            note=note.index,
            start_s=span.start_s,
            end_s=span.end_s,
            before=note_tension(note.midi_name, span.chord, key, home),
            after=note_tension(midi, chord, key_after, home_after),
            is_phrase_ending=note.is_phrase_ending and span is spans[-1],
        )


def tension_curve(
    notes: Sequence[NoteTension], *, term: Term | None = None
) -> tuple[CurvePoint, ...]:
    """(seconds, value as sung, value in the variant or None where it is the same or not known) of
    one term: in the middle of a note, or at both ends of each stretch where it lies over several
    chords, so that the curve steps inside it.

    Without a `term` that of `curve_term`: one curve never mixes two measures. Notes without the
    term, as in a pickup before the first chord, are left out.
    """
    chosen = term or curve_term(notes)
    points: list[CurvePoint] = []
    held: dict[int, list[NoteTension]] = {}
    for note in notes:
        held.setdefault(note.note, []).append(note)
    for note in notes:
        before, after = getattr(note.before, chosen), getattr(note.after, chosen)
        if before is not None:
            is_same = after is None or after == before
            variant = None if is_same else float(after)
            steps = len(held[note.note]) > 1
            times = (note.start_s, note.end_s) if steps else ((note.start_s + note.end_s) / 2,)
            points += [(time_s, float(before), variant) for time_s in times]
    return tuple(points)


def curve_term(notes: Sequence[NoteTension]) -> Term:
    """The term that one curve can show for most of these notes: "harmonic" where at least half of
    them have a chord, else "instability", which needs none."""
    known = sum(note.before.harmonic is not None for note in notes)
    return "harmonic" if 2 * known >= len(notes) > 0 else "instability"
