"""What a plan does to the lines: parallels, leaps, leading tones, range, size of the shift.

What counts as each is common practice in teaching voice leading and singing, no source.
"""

from __future__ import annotations

from collections.abc import Iterator

from retune.carriers.changes import Consequence
from retune.carriers.heard import Note, StemAnalysis
from retune.rules.scene import Scene
from retune.song.bartime import bar_words
from retune.theory.chords import acts_as_dominant
from retune.theory.keys import tonic_pc
from retune.theory.pitchnames import LETTERS

LARGE_CENTS = 300.0
"""Beyond a minor third a moved voice keeps the effort and colour of the old pitch."""

_INTERVALS = ("unison", "second", "third", "fourth", "fifth", "sixth", "seventh")
# Semitones of the perfect or major interval over so many letters; one more is augmented.
_WIDEST = (0, 2, 4, 5, 7, 9, 11)
_AFTER_S = 0.05
_SURE = 0.5


def parallels(scene: Scene) -> Iterator[Consequence]:
    """Octaves or fifths between melody and bass that move on in parallel, where they did not."""
    bass, melody = scene.band.bass, scene.analysis.melody
    if bass is None or melody is None or melody.name == bass.name:
        return
    for first, second in scene.pairs(melody):
        low = [scene.band.bass_note(note.start_s + _AFTER_S) for note in (first, second)]
        if low[0] is None or low[1] is None or low[0] == low[1]:
            continue
        before = _parallel(
            (first.midi_name, second.midi_name), (low[0].midi_name, low[1].midi_name)
        )
        after = _parallel(
            (scene.midi_after(melody, first), scene.midi_after(melody, second)),
            (scene.midi_after(bass, low[0]), scene.midi_after(bass, low[1])),
        )
        if after and after != before:
            yield Consequence(
                "parallel",
                second.start_s,
                f"{scene.place(second)}: melody and bass move in parallel {after}",
            )


def _parallel(top: tuple[int, int], low: tuple[int, int]) -> str:
    """ "octaves", "fifths" or "" for two successive intervals that move the same way."""
    if top[0] == top[1] or low[0] == low[1] or (top[1] > top[0]) != (low[1] > low[0]):
        return ""
    intervals = {(a - b) % 12 for a, b in zip(top, low, strict=True)}
    return {frozenset({0}): "octaves", frozenset({7}): "fifths"}.get(frozenset(intervals), "")


def leaps(scene: Scene) -> Iterator[Consequence]:
    """An approach or departure over an octave, or augmented, that was neither before."""
    for stem in scene.voices:
        for first, second in scene.pairs(stem):
            pair = scene.midi_after(stem, first), scene.midi_after(stem, second)
            if pair == (first.midi_name, second.midi_name):
                continue
            names = scene.name_after(stem, first), scene.name_after(stem, second)
            after = _leap(pair, names)
            before = _leap((first.midi_name, second.midi_name), (first.name, second.name))
            if after and after != before:
                yield Consequence(
                    "leap",
                    second.start_s,
                    f"{scene.place(second)}: {names[0]} to {names[1]} is {after}",
                )


def _leap(pitches: tuple[int, int], names: tuple[str, str]) -> str:
    """What an interval is by its spelling, where it is no step or leap that singers are used to."""
    size = abs(pitches[1] - pitches[0])
    if size > 12:
        return "a leap of more than an octave"
    (_, low), (_, high) = sorted(zip(pitches, names, strict=True))
    steps = (LETTERS.index(high[0]) - LETTERS.index(low[0])) % 7
    # A chromatic semitone (F to F#) is no leap.
    if steps and size == _WIDEST[steps] + 1:
        return f"an augmented {_INTERVALS[steps]}"
    return ""


def leading_tones(scene: Scene) -> Iterator[Consequence]:
    """A leading tone that the plan leaves without its tonic: the note after it was moved away,
    or it was moved there and does not rise, or it now ends its phrase (but over V)."""
    for stem in scene.voices:
        if stem.role == "bass":
            continue
        for note, following in zip(stem.notes, [*stem.notes[1:], None], strict=True):
            if following is not None and following.phrase != note.phrase:
                following = None
            text = _left_hanging(scene, stem, note, following)
            if text:
                yield Consequence("leading-tone", note.start_s, f"{scene.place(note)}: {text}")


def _left_hanging(scene: Scene, stem: StemAnalysis, note: Note, following: Note | None) -> str:
    key = scene.band.key_at(note.start_s)
    if key is None:
        return ""
    tonic = tonic_pc(key)
    now = scene.midi_after(stem, note)
    goes_to = scene.midi_after(stem, following) if following else None
    if (now - tonic) % 12 != 11 or (goes_to is not None and goes_to - now in (0, 1)):
        return ""
    sung_in = scene.analysis.key_at(note.start_s) or key
    was_leading = (note.midi_name - tonic_pc(sung_in)) % 12 == 11
    resolved = was_leading and following is not None and following.midi_name == note.midi_name + 1
    if was_leading and not resolved:
        return ""
    name = scene.name_after(stem, note)
    if goes_to is None and acts_as_dominant(scene.chord_after(note), key):
        return ""  # the third of V at a half cadence: it hangs as it should
    if goes_to is None:
        return f"the phrase now ends on {name}, the leading tone, which is left hanging"
    assert following is not None
    return (
        f"{name}, the leading tone, is left hanging: "
        f"{scene.name_after(stem, following)} follows, not {scene.name(now + 1, note.start_s)}"
    )


def ranges(scene: Scene) -> Iterator[Consequence]:
    """A moved note outside what this singer or player is heard to do in the song."""
    for stem in scene.voices:
        sure = [note.midi_name for note in stem.notes if note.confidence >= _SURE]
        if not sure:
            continue
        low, high = min(sure), max(sure)
        for note in scene.moved(stem):
            midi = scene.midi_after(stem, note)
            if low <= midi <= high:
                continue
            side, end = ("below", low) if midi < low else ("above", high)
            yield Consequence(
                "range",
                note.start_s,
                f"{scene.place(note)}: {scene.name_after(stem, note)} lies {side} every note of "
                f"{stem.name} in this song ({scene.name(end, note.start_s)})",
            )


def shift_sizes(scene: Scene) -> Iterator[Consequence]:
    """A shift so wide that effort and colour will not match the new pitch."""
    for edit in scene.plan.edits:
        if abs(edit.shift_cents) > LARGE_CENTS + 1e-6:
            bar = bar_words(edit.bar, edit.start_s)
            what = f"{edit.from_name} of {edit.stem}" if edit.from_name else edit.stem
            yield Consequence(
                "shift-size",
                edit.start_s,
                f"{bar}: {what} moves by {abs(edit.shift_cents) / 100:g} semitones; "
                "beyond 3 its effort and colour will not match the new pitch",
            )
