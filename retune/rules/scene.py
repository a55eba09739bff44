"""A song before and after a plan: pitches, chords and roles of every note on both sides."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from retune.carriers.changes import Edit, Plan
from retune.carriers.heard import Analysis, Chord, Note, StemAnalysis
from retune.rules.sounding import INSIDE_S, Band, inside
from retune.song.bartime import bars_of, beat_length_s
from retune.song.moved import note_after
from retune.theory.chordnames import chord_name
from retune.theory.keys import degree_of
from retune.theory.noteroles import Placed, Reading, Span, asked_times, readings, spans_between
from retune.theory.roles import is_blue
from retune.theory.spelling import degree_of_name, pitch_name
from retune.theory.tensionmodels import stability

# How a role is said before "of" or "over" a chord.
_ROLE_WORDS = {
    "passing": "passing note",
    "neighbour": "neighbour note",
    "escape": "escape note",
    "pedal": "pedal note",
    "changing tone": "changing tone",
    "blue": "blue note",
    "unresolved": "unresolved non-chord tone",
}
LASTING_BEATS = 0.9
MEMBERS = ("root", "third", "fifth", "seventh", "extension")


@dataclass(frozen=True, eq=False)
class Scene:
    """A song and a plan, looked at from both sides."""

    analysis: Analysis
    plan: Plan

    @cached_property
    def band(self) -> Band:
        return Band(self.analysis, self.plan)

    @cached_property
    def _edits(self) -> Mapping[tuple[str, int], Edit]:
        return {(e.stem, e.note): e for e in self.plan.edits if e.note is not None}

    @cached_property
    def voices(self) -> tuple[StemAnalysis, ...]:
        """The stems whose single notes move."""
        named = {stem for stem, _ in self._edits}
        return tuple(stem for name, stem in self.analysis.stems.items() if name in named)

    @cached_property
    def sung(self) -> tuple[StemAnalysis, ...]:
        """The stems with notes that are heard above the band."""
        roles = ("melody", "mix", "harmony")
        return tuple(s for s in self.analysis.stems.values() if s.role in roles and s.notes)

    def edit(self, stem: StemAnalysis, note: Note) -> Edit | None:
        """The edit that moves a note, if any."""
        return self._edits.get((stem.name, note.index))

    @cached_property
    def _later(self) -> Mapping[int, Note]:
        """By identity, the notes that move in time, as they lie then."""
        found = {}
        for (stem, index), edit in self._edits.items():
            if edit.moves_in_time:
                note = self.analysis.stems[stem].note(index)
                found[id(note)] = note_after(note, edit, self.analysis)
        return found

    def after(self, note: Note) -> Note:
        """The note as it lies in time in the variant."""
        return self._later.get(id(note), note)

    def midi_after(self, stem: StemAnalysis, note: Note) -> int:
        """The note's name as a MIDI number in the variant."""
        edit = self.edit(stem, note)
        return note.midi_name + (round(edit.shift_cents / 100) if edit else 0)

    def moved(self, stem: StemAnalysis) -> Iterator[Note]:
        """The notes of a stem that the plan moves, in order."""
        return (note for note in stem.notes if self.edit(stem, note) is not None)

    def pairs(self, stem: StemAnalysis) -> Iterator[tuple[Note, Note]]:
        """Notes that follow each other within a phrase."""
        for first, second in zip(stem.notes, stem.notes[1:], strict=False):
            if first.phrase == second.phrase:
                yield first, second

    def chord_after(self, note: Note) -> Chord | None:
        """The chord a note is judged by, with the plan's band beneath it."""
        note = self.after(note)
        return self.band.chord(note.chord, judged_at(note))

    def chord_under(self, note: Note, place: int) -> Chord | None:
        """The chord under one stretch of a note, with the plan's band beneath it."""
        spans = spans_of(note)
        return self.band.chord(spans[place].chord, self._asked_at(note, place, spans))

    # roles ---------------------------------------------------------------------------------

    @cached_property
    def readings(self) -> Mapping[str, tuple[list[Placed], list[tuple[Reading, ...]]]]:
        """Stem to its notes in the variant, each with its reading over every chord under it; for
        the stems that are sung or that move."""
        return {stem.name: self._read(stem, after=True) for stem in self._read_stems}

    @cached_property
    def roles(self) -> Mapping[tuple[str, int], tuple[str | None, str | None]]:
        """(stem, note) to the chord role before and after, by the same reasoning on both sides;
        for the stems that are sung or that move."""
        found: dict[tuple[str, int], tuple[str | None, str | None]] = {}
        for stem in self._read_stems:
            before, after = self._roles_as_sung(stem), self.readings[stem.name]
            for place, note in enumerate(stem.notes):
                found[stem.name, note.index] = before[place], _judged_role(after, place)
        return found

    def _roles_as_sung(self, stem: StemAnalysis) -> list[str | None]:
        """The roles that the analysis found; found again where notes came without their chords."""
        if all(note.over is not None or note.chord is None for note in stem.notes):
            return [note.chord_role for note in stem.notes]
        read = self._read(stem, after=False)
        return [_judged_role(read, place) for place in range(len(stem.notes))]

    @property
    def _read_stems(self) -> tuple[StemAnalysis, ...]:
        return tuple(dict.fromkeys((*self.sung, *self.voices)))

    def _read(
        self, stem: StemAnalysis, *, after: bool
    ) -> tuple[list[Placed], list[tuple[Reading, ...]]]:
        placed = [self._placed(stem, note, after=after) for note in stem.notes]
        return placed, readings(placed)

    def _placed(self, stem: StemAnalysis, note: Note, *, after: bool) -> Placed:
        midi = self.midi_after(stem, note) if after else note.midi_name
        lies = self.after(note) if after else note
        beat_s = beat_length_s(lies.start_s, self.analysis.bars)
        spans = spans_of(note)
        if lies is not note:
            asked = asked_times(lies.start_s, lies.end_s, beat_s)
            spans = spans_between(lies.start_s, lies.end_s, self.analysis.chords, asked_s=asked)
        note = lies
        judged = next((k for k, span in enumerate(spans) if span.chord == note.chord), None)
        if after:
            spans = tuple(
                replace(span, chord=self.band.chord(span.chord, self._asked_at(note, k, spans)))
                for k, span in enumerate(spans)
            )
        key = (self.band if after else self.analysis).key_at(note.start_s)
        return Placed(
            note.start_s,
            note.end_s,
            midi,
            spans,
            judged,
            beat_s,
            note.phrase or 0,
            key is not None and degree_of(midi, key) in ("1", "5"),
            is_blue(midi, key),
            key,
        )

    @staticmethod
    def _asked_at(note: Note, k: int, spans: Sequence[Span]) -> float:
        """When to ask what the band plays under a stretch of a note: an ending at its end."""
        if note.is_phrase_ending and k == len(spans) - 1:
            return max(note.start_s, note.end_s - INSIDE_S)
        return spans[k].start_s + INSIDE_S

    def lasts(self, note: Note) -> bool:
        """Whether a note is held for about a beat or more."""
        beat_s = beat_length_s(note.start_s, self.analysis.bars)
        return note.end_s - note.start_s >= LASTING_BEATS * beat_s

    def place(self, note: Note) -> str:
        """Where a note is, to begin a sentence with: "Bars 15-16" for one that begins in bar 15
        and is judged by the chord of bar 16."""
        return bars_of(note, self.analysis.bars)

    # words ---------------------------------------------------------------------------------

    def name(self, midi: int, at_s: float) -> str:
        """A pitch as the key of the moment writes it."""
        return pitch_name(midi, self.band.key_at(at_s))

    def name_after(self, stem: StemAnalysis, note: Note) -> str:
        """A note's name in the variant: as it was typed, or as chord and key spell it."""
        edit = self.edit(stem, note)
        return note.name if edit is None else edit.to_name or self.name(*self._asked(stem, note))

    def _asked(self, stem: StemAnalysis, note: Note) -> tuple[int, float]:
        return self.midi_after(stem, note), note.start_s


def spans_of(note: Note) -> tuple[Span, ...]:
    """A note's stretches over its chords; by onset and end where no more is known of it."""
    if note.over is not None:
        return tuple(Span(over.start_s, over.end_s, over.chord) for over in note.over)
    chords = (note.chord_at_onset or note.chord, note.chord_at_end or note.chord)
    if chords[0] is chords[1]:
        return (Span(note.start_s, note.end_s, chords[0]),)
    change_s = note.end_s if chords[1] is None else chords[1].start_s
    change_s = min(max(change_s, note.start_s), note.end_s)
    ends = ((note.start_s, change_s), (change_s, note.end_s))
    return tuple(Span(*times, chord) for times, chord in zip(ends, chords, strict=True))


def _judged_role(line: tuple[list[Placed], list[tuple[Reading, ...]]], place: int) -> str | None:
    placed, found = line
    judged = placed[place].judged
    return None if judged is None else found[place][judged].role


def judged_at(note: Note) -> float:
    """A moment of the chord that a note is judged by: near the end of a phrase ending, else near
    the onset, and inside that chord for whoever comes early or holds on."""
    end_s = max(note.start_s, note.end_s - INSIDE_S)
    at_s = end_s if note.is_phrase_ending else note.start_s + INSIDE_S
    return at_s if note.chord is None else inside(note.chord, at_s)


def with_roles(scene: Scene) -> Plan:
    """The plan with `role_after` of every moved note, over the chord that bass and backing make
    and beside the neighbours that the plan leaves it."""
    roles = scene.roles
    edits = [
        edit
        if edit.note is None
        else replace(_in_lifted_key(scene, edit), role_after=roles[edit.stem, edit.note][1])
        for edit in scene.plan.edits
    ]
    return replace(scene.plan, edits=tuple(edits))


def _in_lifted_key(scene: Scene, edit: Edit) -> Edit:
    """An edit told in the key of the variant, where that is another than the one as sung."""
    stem, key = scene.analysis.stems[edit.stem], scene.band.key_at(edit.start_s)
    if key is None or key == scene.analysis.key_at(edit.start_s) or edit.note is None:
        return edit
    note = stem.note(edit.note)
    midi = scene.midi_after(stem, note)
    name = pitch_name(midi, key, scene.chord_after(note))
    degree = degree_of_name(name, key)
    return replace(edit, to_name=name, to_degree=degree, stability_after=stability(midi, key))


def role_words(role: str | None, chord: Chord) -> str:
    """ "third of F7" or "passing note over F7"."""
    if role in MEMBERS:
        return f"{role} of {chord_name(chord)}"
    return f"{_ROLE_WORDS.get(role or '', role or 'note')} over {chord_name(chord)}"


def listed(words: Sequence[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1]))) if words else ""
