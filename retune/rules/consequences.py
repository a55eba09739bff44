"""What a plan does to the music, in words. A consequence never stops a render.

Kinds: clash, new-chord, role, parallel, leap, early-rest, range, shift-size, leading-tone.
What counts as each is common practice in teaching harmony and voice leading, no source, except
where a line says otherwise.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from retune.core.carriers import Analysis, Chord, Consequence, Edit, Note, Plan, StemAnalysis
from retune.core.chords import is_no_chord, is_tonic_chord
from retune.core.keys import spell_degree, tonic_pc
from retune.core.pitch import LETTERS, pitch_name, spell_pitch_class
from retune.core.roles import chord_member, how_it_ends
from retune.rules.sounding import Band, chord_words, edit_of, sounding_note

LARGE_CENTS = 300.0
"""Beyond a minor third a moved voice keeps the effort and colour of the old pitch."""


@dataclass(frozen=True)
class Scene:
    """A song, a plan, and the melody before and after."""

    analysis: Analysis
    plan: Plan

    @cached_property
    def band(self) -> Band:
        return Band(self.analysis, self.plan)

    @cached_property
    def voices(self) -> tuple[StemAnalysis, ...]:
        """The stems whose single notes move."""
        named = {edit.stem for edit in self.plan.edits if edit.note is not None}
        return tuple(stem for name, stem in self.analysis.stems.items() if name in named)

    def midi_after(self, stem: StemAnalysis, note: Note) -> int:
        edit = edit_of(self.plan, stem.name, note)
        return note.midi_name + (round(edit.shift_cents / 100) if edit else 0)

    def moved(self, stem: StemAnalysis) -> Iterator[tuple[Note, Edit]]:
        for edit in self.plan.of_stem(stem.name):
            if edit.note is not None:
                yield stem.note(edit.note), edit

    def chord_now(self, note: Note) -> Chord | None:
        """The chord a note is judged by, with the plan's band beneath it."""
        return self.band.chord(note.chord, judged_at(note))

    def name(self, midi: int, at_s: float) -> str:
        return pitch_name(midi, self.analysis.key_at(at_s))

    def chord_name(self, chord: Chord, at_s: float) -> str:
        return chord_words(chord, self.analysis.key_at(at_s))


def judged_at(note: Note) -> float:
    """The moment whose chord a note is judged by: the end of a phrase ending, else the onset."""
    return max(note.start_s, note.end_s - 0.02) if note.is_phrase_ending else note.start_s + 0.02


def consequences_of(analysis: Analysis, plan: Plan) -> tuple[Consequence, ...]:
    """Everything that follows from a plan, in order of time."""
    scene = Scene(analysis, plan)
    checks = (
        clashes,
        new_chords,
        roles,
        parallels,
        leaps,
        early_rests,
        ranges,
        shift_sizes,
        leading_tones,
    )
    found = [item for check in checks for item in check(scene)]
    return tuple(sorted(dict.fromkeys(found), key=lambda item: (item.at_s, item.kind)))


def roles_over_the_band(analysis: Analysis, plan: Plan) -> tuple[Edit, ...]:
    """The edits with `role_after` told over the chord that bass and backing make of it."""
    scene = Scene(analysis, plan)
    told = []
    for edit in plan.edits:
        if edit.note is not None:
            stem = analysis.stems[edit.stem]
            note = stem.note(edit.note)
            now = scene.chord_now(note) if scene.band.touches(judged_at(note)) else None
            if now is not None and not is_no_chord(now):
                member = chord_member(scene.midi_after(stem, note), now)
                edit = replace(edit, role_after=member or "non-chord tone")
        told.append(edit)
    return tuple(told)


def _place(note: Note) -> str:
    return f"Bar {note.bar}" if note.bar is not None else f"{note.start_s:.1f} s"


# --- harmony ---------------------------------------------------------------------------------


def clashes(scene: Scene) -> Iterator[Consequence]:
    """A moved non-chord tone a semitone from a sounding chord tone."""
    for stem in scene.voices:
        if stem.role == "bass":
            continue
        for note, _ in scene.moved(stem):
            midi, chord = scene.midi_after(stem, note), scene.chord_now(note)
            if chord is None or is_no_chord(chord) or chord_member(midi, chord) is not None:
                continue
            for pitch_class, member in chord.tones:
                if (midi - pitch_class) % 12 in (1, 11):
                    key = scene.analysis.key_at(note.start_s)
                    yield Consequence(
                        "clash",
                        note.start_s,
                        f"{_place(note)}: {scene.name(midi, note.start_s)} sounds a semitone from "
                        f"{spell_pitch_class(pitch_class, key)}, the {member} of "
                        f"{scene.chord_name(chord, note.start_s)}",
                    )


def new_chords(scene: Scene) -> Iterator[Consequence]:
    """The sonority under each chord whose bass or backing moved, named as what it is."""
    for chord in scene.analysis.chords:
        if is_no_chord(chord):
            continue
        told: set[str] = set()
        for at_s in _moments(scene, chord):
            if not scene.band.touches(at_s):
                continue
            text = _sonority(scene, chord, at_s)
            if text not in told:
                told.add(text)
                yield Consequence("new-chord", at_s, text)


def _moments(scene: Scene, chord: Chord) -> list[float]:
    """When to look: at the chord's start, at each bass note, at each cut of the backing."""
    inside = [chord.start_s + 0.05]
    for stem in scene.analysis.stems.values():
        if stem.role == "bass":
            inside += [note.start_s + 0.05 for note in stem.notes]
    inside += [edit.start_s + 0.05 for edit in scene.plan.edits if edit.note is None]
    return sorted({at_s for at_s in inside if chord.start_s <= at_s < chord.end_s})


def _sonority(scene: Scene, chord: Chord, at_s: float) -> str:
    key = scene.analysis.key_at(at_s)
    before = scene.chord_name(chord, at_s)
    bar = sum(downbeat <= at_s for downbeat in scene.analysis.bars.downbeats_s)
    now = scene.band.chord(chord, at_s)
    if now is None:
        return f"Bar {bar}: the backing stems move apart over {before}; the chord has no one name"
    name = scene.chord_name(now, at_s)
    bass = scene.band.bass_at(at_s)
    if bass is not None and now.role_of(bass[0]) is None:
        low = spell_pitch_class(bass[0], key)
        upper = scene.chord_name(_over_its_root(now), at_s)
        more = ""
        if key is not None and bass[0] == tonic_pc(key) and not is_tonic_chord(now, key):
            more = ": the tonic in the bass, not the tonic chord"
        return f"Bar {bar}: {before} becomes {upper} over {low}{more}"
    place = _inversion(now)
    numeral = f" ({now.roman})" if now.roman else ""
    return f"Bar {bar}: {before} becomes {name}{numeral}, {place}"


def _over_its_root(chord: Chord) -> Chord:
    from retune.core.chords import with_bass

    return with_bass(chord, chord.root_pc)


def _inversion(chord: Chord) -> str:
    member = chord.role_of(chord.bass_pc)
    return {
        "root": "in root position",
        "third": "in first inversion",
        "fifth": "in second inversion",
        "seventh": "in third inversion",
    }.get(member or "", "over a foreign bass")


def roles(scene: Scene) -> Iterator[Consequence]:
    """Unmoved notes of a melody whose place in the chord changed with the chord."""
    for stem in scene.analysis.stems.values():
        if stem.role not in ("melody", "harmony"):
            continue
        for note in stem.notes:
            at_s = judged_at(note)
            if edit_of(scene.plan, stem.name, note) or not scene.band.touches(at_s):
                continue
            now = scene.band.chord(note.chord, at_s)
            if now is None or note.chord is None:
                continue
            before, after = (
                chord_member(note.midi_name, note.chord),
                chord_member(note.midi_name, now),
            )
            if before != after:
                yield Consequence(
                    "role",
                    note.start_s,
                    f"{_place(note)}: {note.name}, not moved, turns from "
                    f"{_member_words(before, scene.chord_name(note.chord, at_s))} to "
                    f"{_member_words(after, scene.chord_name(now, at_s))}",
                )


def _member_words(member: str | None, chord: str) -> str:
    return f"{member} of {chord}" if member else f"non-chord tone over {chord}"


# --- voice leading -----------------------------------------------------------------------------


def _bass(scene: Scene) -> StemAnalysis | None:
    return next((s for s in scene.analysis.stems.values() if s.role == "bass" and s.notes), None)


def parallels(scene: Scene) -> Iterator[Consequence]:
    """Octaves or fifths between melody and bass that move on in parallel, where they did not."""
    bass = _bass(scene)
    if bass is None:
        return
    for stem in scene.analysis.stems.values():
        if stem.role != "melody":
            continue
        for first, second in zip(stem.notes, stem.notes[1:], strict=False):
            low = [sounding_note(bass, note.start_s + 0.05) for note in (first, second)]
            if low[0] is None or low[1] is None or low[0] == low[1]:
                continue
            under = (low[0], low[1])
            before = _parallel(
                (first.midi_name, second.midi_name), tuple(n.midi_name for n in under)
            )
            after = _parallel(
                (scene.midi_after(stem, first), scene.midi_after(stem, second)),
                tuple(scene.midi_after(bass, n) for n in under),
            )
            if after and after != before:
                yield Consequence(
                    "parallel",
                    second.start_s,
                    f"{_place(second)}: melody and bass move in parallel {after}",
                )


def _parallel(top: tuple[int, ...], low: tuple[int, ...]) -> str:
    """ "octaves", "fifths" or "" for two successive intervals."""
    if top[0] == top[1] or low[0] == low[1] or (top[1] > top[0]) != (low[1] > low[0]):
        return ""
    intervals = {(a - b) % 12 for a, b in zip(top, low, strict=True)}
    return {frozenset({0}): "octaves", frozenset({7}): "fifths"}.get(frozenset(intervals), "")


def leaps(scene: Scene) -> Iterator[Consequence]:
    """An approach or departure over an octave, or augmented, that was neither before."""
    for stem in scene.voices:
        for first, second in zip(stem.notes, stem.notes[1:], strict=False):
            if not (
                edit_of(scene.plan, stem.name, first) or edit_of(scene.plan, stem.name, second)
            ):
                continue
            if first.phrase != second.phrase:
                continue
            pair = scene.midi_after(stem, first), scene.midi_after(stem, second)
            after = _leap(scene, *pair, second.start_s)
            before = _leap(scene, first.midi_name, second.midi_name, second.start_s)
            if after and after != before:
                names = [scene.name(midi, second.start_s) for midi in pair]
                yield Consequence(
                    "leap",
                    second.start_s,
                    f"{_place(second)}: {names[0]} to {names[1]} is {after}",
                )


def _leap(scene: Scene, first: int, second: int, at_s: float) -> str:
    size = abs(second - first)
    if size > 12:
        return "a leap of more than an octave"
    key = scene.analysis.key_at(at_s)
    low, high = sorted((first, second))
    letters = [LETTERS.index(spell_pitch_class(midi % 12, key)[0]) for midi in (low, high)]
    steps = (letters[1] - letters[0]) % 7
    if steps == 0 and size in (0, 12):
        return ""
    if size == _WIDEST[steps] + 1:
        return f"an augmented {_INTERVALS[steps]}"
    return ""


_INTERVALS = ("unison", "second", "third", "fourth", "fifth", "sixth", "seventh")
# Semitones of the perfect or major interval over so many letters; one more is augmented.
_WIDEST = (0, 2, 4, 5, 7, 9, 11)


def leading_tones(scene: Scene) -> Iterator[Consequence]:
    """A seventh degree a semitone under the tonic that no longer rises to it."""
    for stem in scene.voices:
        if stem.role == "bass":
            continue
        for first, second in zip(stem.notes, stem.notes[1:], strict=False):
            key = scene.analysis.key_at(first.start_s)
            if key is None or first.phrase != second.phrase:
                continue
            tonic = tonic_pc(key)
            before = (first.midi_name, second.midi_name)
            after = (scene.midi_after(stem, first), scene.midi_after(stem, second))
            if after == before or (after[0] - tonic) % 12 != 11 or after[1] - after[0] in (0, 1):
                continue
            resolved = (before[0] - tonic) % 12 == 11 and before[1] - before[0] == 1
            if resolved or before[0] != after[0]:
                yield Consequence(
                    "leading-tone",
                    first.start_s,
                    f"{_place(first)}: {scene.name(after[0], first.start_s)}, the leading tone, is "
                    f"left hanging: {scene.name(after[1], second.start_s)} follows, not "
                    f"{spell_degree('1', key)}",
                )


# --- the voice and the whole ---------------------------------------------------------------------


def ranges(scene: Scene) -> Iterator[Consequence]:
    """A moved note outside what this singer or player is heard to sing in the song."""
    for stem in scene.voices:
        sure = [note.midi_name for note in stem.notes if note.confidence >= 0.5]
        if not sure:
            continue
        low, high = min(sure), max(sure)
        for note, _ in scene.moved(stem):
            midi = scene.midi_after(stem, note)
            if not low <= midi <= high:
                side = "below" if midi < low else "above"
                end = low if midi < low else high
                yield Consequence(
                    "range",
                    note.start_s,
                    f"{_place(note)}: {scene.name(midi, note.start_s)} lies {side} all that "
                    f"{stem.name} sings here ({scene.name(end, note.start_s)})",
                )


def shift_sizes(scene: Scene) -> Iterator[Consequence]:
    """A shift so wide that effort and colour will not match the new pitch."""
    for edit in scene.plan.edits:
        if abs(edit.shift_cents) > LARGE_CENTS + 1e-6:
            bar = f"Bar {edit.bar}" if edit.bar is not None else f"{edit.start_s:.1f} s"
            what = edit.from_name or edit.stem
            yield Consequence(
                "shift-size",
                edit.start_s,
                f"{bar}: {what} moves by {abs(edit.shift_cents) / 100:g} semitones; "
                "beyond 3 its effort and colour will not match the new pitch",
            )


def early_rests(scene: Scene) -> Iterator[Consequence]:
    """The tonic at a phrase ending before the last phrase, where it was not: how often, over
    which chord."""
    melody = scene.analysis.melody
    if melody is None or len(melody.phrases) < 2:
        return
    came: list[tuple[Note, str]] = []
    for phrase in melody.phrases[:-1]:
        if phrase.ending_note is None:
            continue
        note = melody.note(phrase.ending_note)
        key = scene.analysis.key_at(note.start_s)
        midi = scene.midi_after(melody, note)
        if key is None or (midi - tonic_pc(key)) % 12 != 0:
            continue
        chord = scene.chord_now(note)
        ending = how_it_ends(midi, chord, key)
        was = how_it_ends(note.midi_name, note.chord, key)
        if midi == note.midi_name and ending == was:
            continue
        over = "" if chord is None else f" over {scene.chord_name(chord, note.start_s)}"
        came.append((note, f"phrase {phrase.index}{over} ({ending or 'by the melody alone'})"))
    if came:
        yield Consequence("early-rest", came[0][0].start_s, _early_words(came, scene))


def _early_words(came: Sequence[tuple[Note, str]], scene: Scene) -> str:
    melody = scene.analysis.melody
    assert melody is not None
    times = "once" if len(came) == 1 else f"{len(came)} times"
    listed = ", ".join(words for _, words in came)
    return (
        f"The tonic now ends a phrase {times} before phrase {melody.phrases[-1].index}, "
        f"the last: {listed}"
    )
