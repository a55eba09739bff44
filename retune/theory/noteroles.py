"""What a note is over its chord: a chord tone, or which kind of non-chord tone.

The kinds follow textbook harmony (common practice, no source): a passing tone is approached and
left by step in one direction; a neighbour by step and back; a suspension is held over or struck
again from the chord before and moves by step; an appoggiatura is leapt to (or starts out of
nothing) and moves by step; an escape tone is reached by step and left by leap; an anticipation
belongs to the chord about to come; a pedal stays while chords change around it; what finds no
way on is unresolved.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from retune.carriers.heard import Chord
from retune.theory.roles import chord_member

STEP = 2
# Silence longer than this many beats parts a note from the next.
PART_BEATS = 1.0


@dataclass(frozen=True)
class Placed:
    """A named note with its chords: `midi` a whole number, `judged_at_end` for a phrase ending,
    `beat_s` how long a beat lasts there."""

    start_s: float
    end_s: float
    midi: int
    at_onset: Chord | None
    at_end: Chord | None
    coming: Chord | None = None
    judged_at_end: bool = False
    beat_s: float = 0.5
    phrase: int = 0

    @property
    def chord(self) -> Chord | None:
        return self.at_end if self.judged_at_end else self.at_onset


def is_chord(chord: Chord | None) -> bool:
    """True for a chord that has tones (not None, not N.C.)."""
    return chord is not None and bool(chord.tones)


def chord_roles(notes: Sequence[Placed]) -> list[str | None]:
    """The role of every note, None where no chord is known."""
    return [_role(notes, k) for k in range(len(notes))]


def _role(notes: Sequence[Placed], k: int) -> str | None:
    note = notes[k]
    if not is_chord(note.chord):
        return None
    tone = chord_member(note.midi, note.chord)
    if tone is not None:
        return tone
    if not note.judged_at_end and chord_member(note.midi, note.coming) is not None:
        return "anticipation"
    return _kind(notes, k)


def _kind(notes: Sequence[Placed], k: int) -> str:
    """Which kind of non-chord tone; notes struck again at one pitch count as one."""
    note = notes[k]
    first, last = _same_pitch(notes, k)
    before = notes[first - 1] if first > 0 and _joined(notes[first - 1], notes[first]) else None
    after = (
        notes[last + 1] if last + 1 < len(notes) and _joined(notes[last], notes[last + 1]) else None
    )
    consonant_earlier = any(
        chord_member(note.midi, other.at_onset) is not None for other in notes[first:k]
    ) or (note.judged_at_end and chord_member(note.midi, note.at_onset) is not None)
    consonant_later = any(
        chord_member(note.midi, other.chord) is not None for other in notes[k + 1 : last + 1]
    )
    if consonant_earlier and consonant_later:
        return "pedal"
    if consonant_later:
        return "anticipation"
    goes_on = after.midi - note.midi if after is not None else 0
    came_by = note.midi - before.midi if before is not None else 0
    steps_on = 0 < abs(goes_on) <= STEP
    stepped_in = 0 < abs(came_by) <= STEP
    if consonant_earlier:
        return "suspension" if steps_on else "unresolved"
    if steps_on and stepped_in:
        return "passing" if (goes_on > 0) == (came_by > 0) else "neighbour"
    if steps_on:
        return "appoggiatura"
    if stepped_in and goes_on:
        return "escape"
    return "unresolved"


def _same_pitch(notes: Sequence[Placed], k: int) -> tuple[int, int]:
    """First and last of the run of notes struck again at this pitch."""
    first = last = k
    while (
        first > 0
        and notes[first - 1].midi == notes[k].midi
        and _joined(notes[first - 1], notes[first])
    ):
        first -= 1
    while (
        last + 1 < len(notes)
        and notes[last + 1].midi == notes[k].midi
        and _joined(notes[last], notes[last + 1])
    ):
        last += 1
    return first, last


def _joined(before: Placed, after: Placed) -> bool:
    """True when one leads to the other: within a phrase, without a long silence."""
    silence = after.start_s - before.end_s
    return before.phrase == after.phrase and silence <= PART_BEATS * before.beat_s
