"""What moves in time do to the music: suspensions, anticipations, rests that come late.

What counts as each is common practice in teaching harmony, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

from retune.carriers.changes import Consequence
from retune.carriers.heard import Chord, Note, StemAnalysis
from retune.rules.scene import Scene, judged_at
from retune.song.moved import beat_at, has_beats, place_words
from retune.theory.chordnames import chord_name
from retune.theory.chords import is_no_chord
from retune.theory.keys import tonic_pc
from retune.theory.roles import how_it_ends

_ABOVE_BASS = (8, 9, 9, 3, 3, 4, 4, 5, 6, 6, 7, 7)
"""The figure of so many semitones above the bass."""
STEP = 2


def suspensions(scene: Scene) -> Iterator[Consequence]:
    """A note now held over a chord change into a chord that it is no tone of."""
    for stem in _voices(scene):
        for note in scene.moved(stem):
            now = scene.after(note)
            if now.end_s <= note.end_s and now.start_s >= note.start_s:
                continue
            held = _held_into(scene, note, now)
            midi = scene.midi_after(stem, note)
            if held is None or held[0].role_of(midi) is None or held[1].role_of(midi):
                continue
            at_s = held[1].start_s
            name = scene.name_after(stem, note)
            yield Consequence(
                "suspension",
                at_s,
                f"{_where(scene, at_s)}: {name} is held over {chord_name(held[1])}, "
                f"{_resolution(scene, stem, note, held[1])}",
            )


def _held_into(scene: Scene, note: Note, now: Note) -> tuple[Chord, Chord] | None:
    """The chords before and after a change that the note now sounds across, and did not."""
    chords = scene.analysis.chords
    for before, after in pairwise(chords):
        loose_s = min(0.12, (now.end_s - now.start_s) / 4)
        across = now.start_s < after.start_s - loose_s and now.end_s > after.start_s + loose_s
        was = note.start_s < after.start_s - loose_s and note.end_s > after.start_s + loose_s
        if across and not was and not is_no_chord(after) and before.tones != after.tones:
            first = scene.band.chord(before, before.start_s)
            second = scene.band.chord(after, after.start_s)
            return (first, second) if first and second else None
    return None


def _resolution(scene: Scene, stem: StemAnalysis, note: Note, chord: Chord) -> str:
    """How the note after it takes the tension away."""
    following = stem.notes[note.index] if note.index < len(stem.notes) else None
    if following is None or following.phrase != note.phrase:
        return "and nothing in the phrase resolves it"
    midi, goes_to = scene.midi_after(stem, note), scene.midi_after(stem, following)
    when_s = scene.after(following).start_s
    name = f"{scene.name_after(stem, following)} {_when(scene, when_s)}".strip()
    if not 0 < abs(goes_to - midi) <= STEP:
        return f"and left for {name} by no step: the tension is dropped, not resolved"
    if goes_to > midi:
        return f"a retardation that rises to {name}"
    bass = scene.band.bass_pc(judged_at(scene.after(following)))
    bass = chord.bass_pc if bass is None else bass
    figures = [_ABOVE_BASS[(pitch - bass) % 12] for pitch in (midi, goes_to)]
    figure = f"{figures[0]}-{figures[1]} " if figures[0] == figures[1] + 1 else ""
    return f"a {figure}suspension that resolves down to {name}"


def anticipations(scene: Scene) -> Iterator[Consequence]:
    """A note that now comes before its chord, as none of the tones of the chord before."""
    for stem in _voices(scene):
        for note in scene.moved(stem):
            now = scene.after(note)
            if now.start_s >= note.start_s:
                continue
            midi = scene.midi_after(stem, note)
            early, own = now.chord_at_onset, note.chord_at_onset or note.chord
            if is_no_chord(early) or is_no_chord(own) or early is None or own is None:
                continue
            if own.role_of(midi) is not None and early.role_of(midi) is None:
                yield Consequence(
                    "anticipation",
                    now.start_s,
                    f"{_where(scene, now.start_s)}: {scene.name_after(stem, note)} sounds over "
                    f"{chord_name(early)} already and belongs to {chord_name(own)}",
                )


def late_rests(scene: Scene) -> Iterator[Consequence]:
    """Phrases that come to rest on the tonic later than they did."""
    melody = scene.analysis.melody
    for phrase in melody.phrases if melody else ():
        if melody is None or phrase.ending_note is None:
            continue
        note = melody.note(phrase.ending_note)
        now = scene.after(note)
        if now.start_s <= note.start_s:
            continue
        key, midi = scene.band.key_at(note.start_s), scene.midi_after(melody, note)
        chord = scene.chord_after(note)
        if key is None or (midi - tonic_pc(key)) % 12:
            continue
        if how_it_ends(midi, chord, key) in (None, "at rest"):
            name = scene.name_after(melody, note)
            yield Consequence(
                "late-rest",
                now.start_s,
                f"{_where(scene, now.start_s)}: phrase {phrase.index} comes to rest on {name} "
                f"{_by(scene, note.start_s, now.start_s)} later than it did",
            )


def _voices(scene: Scene) -> list[StemAnalysis]:
    """The stems with notes that move; a double says nothing that its melody does not."""
    return [stem for stem in scene.voices if stem.role != "double"]


def _where(scene: Scene, at_s: float) -> str:
    """ "Bar 8" and its beat, to begin a sentence with."""
    return place_words(scene.analysis.bars, at_s)


def _when(scene: Scene, at_s: float) -> str:
    where = _where(scene, at_s)
    return f"in {where[0].lower()}{where[1:]}" if where.startswith("Bar") else f"at {where}"


def _by(scene: Scene, from_s: float, to_s: float) -> str:
    bars = scene.analysis.bars
    if not has_beats(bars):
        return f"{to_s - from_s:.2f} s"
    beats = round(beat_at(bars, to_s) - beat_at(bars, from_s), 2)
    return f"{beats:g} beat{'' if beats == 1 else 's'}"
