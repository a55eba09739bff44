"""Where a note goes: the pitch that a target or an interval means for it."""

from __future__ import annotations

from dataclasses import dataclass

from retune.carriers.heard import Chord, Key, Note, StemAnalysis
from retune.rules.model import Interval, Target
from retune.theory.chords import is_no_chord
from retune.theory.keys import (
    degree_of,
    degree_pc,
    degree_semitone,
    in_scale,
    nearest_midi_of_class,
    scale_semitones,
    spell_degree,
    step_in_scale,
    tonic_pc,
)
from retune.theory.pitchnames import parse_pitch_name, pitch_class_of
from retune.theory.spelling import pitch_name, with_octave


@dataclass(frozen=True)
class Goal:
    """The pitch a note goes to, how far in cents, and what the plan should say about it; `name` is
    the pitch as it was typed, or "" where the key and the chord spell it; `glide`, `vibrato`,
    `formants` and `tail` as in `Manner`."""

    midi: int
    shift_cents: float
    remark: str = ""
    name: str = ""
    glide: str = ""
    vibrato: float = 1.0
    formants: str = ""
    tail: str = ""

    @property
    def changes(self) -> bool:
        """Whether anything of the note is another."""
        return abs(self.shift_cents) > 1e-9 or self.vibrato != 1 or bool(self.glide)


@dataclass(frozen=True)
class NoGoal:
    """Why a note has nowhere to go."""

    why: str


def goal_of_target(
    note: Note, target: Target, key: Key | None, stem: StemAnalysis | None = None
) -> Goal | NoGoal:
    """The pitch a target means for a note of a stem (which targets beside it need).

    Nearest without "above" or "below": a tie goes down, and the remark says so.
    """
    if target.kind == "name" and target.value[-1].isdigit():
        return _goal(note, parse_pitch_name(target.value), name=target.value)
    if target.kind == "nearest":
        return _nearest(note, target, key)
    if target.kind in ("resolution", "before", "after", "ending"):
        return _pitch_of_another(note, target, stem)
    classes = _class_of(note, target, key)
    if isinstance(classes, NoGoal):
        return classes
    pitch_class, remark = classes
    midi = nearest_midi_of_class(pitch_class, note.midi_name, target.direction)
    if target.direction is None and abs(midi - note.midi_name) == 6:
        remark = _join(remark, f"{_name(note.midi_name + 6, key)} is as near; down was taken")
    name = with_octave(target.value, midi) if target.kind == "name" else ""
    return _goal(note, midi, remark, name)


def _pitch_of_another(note: Note, target: Target, stem: StemAnalysis | None) -> Goal | NoGoal:
    """The pitch of the note before or after, of the one that resolves this note, or of the ending
    of a phrase."""
    notes = stem.notes if stem is not None else ()
    if target.kind == "ending" and stem is not None:
        phrase = len(stem.phrases) if target.value == "last" else int(target.value)
        found = [n for n in notes if n.is_phrase_ending and n.phrase == phrase]
        return _at(note, found[0]) if found else NoGoal(f"phrase {phrase} has no end")
    if target.kind == "before":
        earlier = [n for n in notes if n.index < note.index]
        return _at(note, earlier[-1]) if earlier else NoGoal("no note comes before it")
    later = [n for n in notes if n.index > note.index]
    if target.kind == "resolution":
        later = [n for n in later if n.midi_name != note.midi_name and n.phrase == note.phrase]
    if not later:
        return NoGoal("no note comes after it to go to")
    return _at(note, later[0])


def _at(note: Note, other: Note) -> Goal | NoGoal:
    """The pitch of another note, as that is spelled."""
    return _goal(note, other.midi_name, name=other.name)


def _class_of(note: Note, target: Target, key: Key | None) -> tuple[int, str] | NoGoal:
    if target.kind == "name":
        return pitch_class_of(target.value), ""
    if target.kind == "member":
        chord = note.chord
        if chord is None or is_no_chord(chord):
            return NoGoal("no chord is known there")
        for pitch_class, member in chord.tones:
            if member == target.value:
                return pitch_class, ""
        return NoGoal(f"{chord.typed or chord.label} has no {target.value}")
    if key is None:
        return NoGoal("no key is known there")
    return _degree_class(target.value, key, note.chord)


def _degree_class(degree: str, key: Key, chord: Chord | None) -> tuple[int, str]:
    """In a minor key 6 and 7 take the form that is in the chord, else the natural one."""
    natural = degree_pc(degree, key)
    if key.mode != "minor" or degree not in ("6", "7"):
        return natural, _own_scale(degree, key)
    raised = (natural + 1) % 12
    in_chord = dict(chord.tones) if chord is not None else {}
    if raised in in_chord and natural not in in_chord:
        return raised, f"degree {degree} is taken raised, as in the chord"
    return natural, f"degree {degree} is taken in its natural form"


def _own_scale(degree: str, key: Key) -> str:
    """A word on an altered degree that is a note of the scale, as b3 is in minor: whoever counts
    from the major scale means another note."""
    digit = degree.lstrip("b#")
    if digit == degree or degree_semitone(degree, key) not in scale_semitones(key):
        return ""
    same = degree_of(degree_pc(degree, key), key)
    return (
        f"degrees count in the scale of {key}: there degree {degree} is "
        f"{spell_degree(same, key)}, its degree {same}"
    )


def _nearest(note: Note, target: Target, key: Key | None) -> Goal | NoGoal:
    """The nearest tone of the note's chord, or of the scale."""
    if target.value == "scale":
        if key is None:
            return NoGoal("no key is known there")
        classes = [(tonic_pc(key) + semitone) % 12 for semitone in scale_semitones(key)]
    elif note.chord is None or is_no_chord(note.chord):
        return NoGoal("no chord is known there")
    else:
        classes = [pitch_class for pitch_class, _ in note.chord.tones]
    places = [nearest_midi_of_class(one, note.midi_name, target.direction) for one in classes]
    distance = min(abs(midi - note.midi_name) for midi in places)
    nearest = sorted(midi for midi in places if abs(midi - note.midi_name) == distance)
    remark = ""
    if len(nearest) > 1:
        remark = f"{pitch_name(nearest[1])} is as near; down was taken"
    return _goal(note, nearest[0], remark)


def goal_of_interval(note: Note, interval: Interval, key: Key | None) -> Goal | NoGoal:
    """The pitch an interval means for a note; cents that are no semitones keep the name."""
    sign = 1 if interval.direction == "up" else -1
    if interval.unit == "cent":
        cents = sign * interval.amount
        return Goal(note.midi_name + round(cents / 100), cents)
    if interval.unit == "scale step":
        if key is None:
            return NoGoal("no key is known there")
        return _goal(note, step_in_scale(note.midi_name, key, sign * int(interval.amount)))
    semitones = int(interval.amount) * (12 if interval.unit == "octave" else 1)
    return _goal(note, note.midi_name + sign * semitones)


def followed(note: Note, leader_from: int, leader_to: int, key: Key | None) -> int:
    """Where a note goes that follows another by scale steps; by semitones where it cannot."""
    if key is None or not (in_scale(leader_from, key) and in_scale(leader_to, key)):
        return note.midi_name + leader_to - leader_from
    return step_in_scale(note.midi_name, key, steps_between(leader_from, leader_to, key))


def steps_between(from_midi: int, to_midi: int, key: Key) -> int:
    """Scale steps from one scale note to another."""
    way = 1 if to_midi > from_midi else -1
    steps, place = 0, from_midi
    while (to_midi - place) * way > 0:
        place = step_in_scale(place, key, way)
        steps += way
    return steps


def _goal(note: Note, midi: int, remark: str = "", name: str = "") -> Goal | NoGoal:
    if not 0 <= midi <= 127:
        return NoGoal("the pitch would lie outside the range of names")
    return Goal(midi, 100.0 * (midi - note.midi_name), remark, name)


def _name(midi: int, key: Key | None) -> str:
    return pitch_name(midi, key)


def _join(first: str, second: str) -> str:
    return f"{first}; {second}" if first else second
