"""How each phrase of the melody ends, before a plan and after it."""

from __future__ import annotations

from dataclasses import dataclass

from retune.carriers.changes import Plan
from retune.carriers.heard import Analysis, Chord, Key, Note
from retune.rules.scene import Scene
from retune.theory.roles import how_it_ends, melodic_ending
from retune.theory.spelling import degree_of_name, pitch_name


@dataclass(frozen=True)
class EndingNow:
    """The ending of a phrase: its note, degree and chord, and its state ("at rest", "partly at
    rest" or "open"; by the melody alone where no chord is known)."""

    phrase: int
    note: Note
    key: Key
    degree: str
    chord: Chord | None
    state: str
    is_last: bool


def endings_of(analysis: Analysis, plan: Plan | None = None) -> tuple[EndingNow, ...]:
    """The endings of the melody's phrases, as sung or as a plan has them; phrases without a note
    or a key are left out."""
    melody = analysis.melody
    if melody is None:
        return ()
    scene = Scene(analysis, plan or Plan(()))
    found = []
    for phrase in melody.phrases:
        note = None if phrase.ending_note is None else melody.note(phrase.ending_note)
        key = None if note is None else scene.band.key_at(note.start_s)
        if note is None or key is None:
            continue
        midi, chord = scene.midi_after(melody, note), scene.chord_after(note)
        degree = degree_of_name(pitch_name(midi, key, chord), key)
        state = how_it_ends(midi, chord, key) or melodic_ending(degree) or "open"
        is_last = phrase.index == melody.phrases[-1].index
        found.append(EndingNow(phrase.index, note, key, degree, chord, state, is_last))
    return tuple(found)
