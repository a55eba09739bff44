"""Which notes (or spans of time) a rule means, always among the original notes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Literal

from retune.carriers.heard import Analysis, Key, Note, StemAnalysis
from retune.rules.inside import ON_THE_BEAT, inside, is_on_beat, listed, seconds_of
from retune.rules.model import Kind, NamedNote, NoteAt, Rule, Selector
from retune.rules.neighbours import next_to
from retune.rules.scopes import Beside, Except, In, Scope, Time, Where
from retune.song.bartime import beat_length_s
from retune.theory.keys import degree_pc, degree_semitone, scale_semitones
from retune.theory.pitchnames import parse_pitch_name, pitch_class_of
from retune.theory.roles import same_digit


def matched_notes(rule: Rule, stem: StemAnalysis, analysis: Analysis) -> list[Note]:
    """The notes of a stem that a rule means, in order of time.

    The highest, lowest or longest note of a phrase is looked for among those of the degrees,
    places and chords that the rule names; "where it is ..." then asks about the note found.
    """
    chosen = _selected(rule, stem, analysis)
    scopes = [scope for scope in rule.scopes if not _counts(scope)]
    chosen = _within(chosen, [s for s in scopes if not _asks_of_it(s)], stem, analysis)
    if isinstance(rule.what, Selector):
        chosen = _picked(chosen, rule.what.kind)
    chosen = _within(chosen, [s for s in scopes if _asks_of_it(s)], stem, analysis)
    for scope in rule.scopes:
        chosen = _counted(chosen, scope) if _counts(scope) else chosen
    return chosen


def _inner(scope: Scope) -> Scope:
    return _inner(scope.scope) if isinstance(scope, Except) else scope


def _counts(scope: Scope) -> bool:
    """Whether a scope counts the notes that the rest of the rule leaves."""
    inner = _inner(scope)
    return isinstance(inner, In) and inner.what == "note"


def _counted(notes: list[Note], scope: Scope) -> list[Note]:
    """Some of the notes by their number, from 1."""
    if isinstance(scope, Except):
        counted = {note.index for note in _counted(notes, scope.scope)}
        return [note for note in notes if note.index not in counted]
    assert isinstance(scope, In)
    return [n for k, n in enumerate(notes, 1) if listed(k, scope.spans, len(notes))]


def _within(
    notes: list[Note], scopes: Iterable[Scope], stem: StemAnalysis, analysis: Analysis
) -> list[Note]:
    for scope in scopes:
        within = _inside(scope, stem, analysis)
        notes = [note for note in notes if within(note)]
    return notes


def _inside(scope: Scope, stem: StemAnalysis, analysis: Analysis) -> Callable[[Note], bool]:
    """The test of a scope; that of a note beside another needs to find that other."""
    if isinstance(scope, Except):
        within = _inside(scope.scope, stem, analysis)
        return lambda note: not within(note)
    if not isinstance(scope, Beside):
        return inside(scope, stem, analysis)
    other = "before" if scope.side == "after" else "after"
    if isinstance(scope.what, Selector | NamedNote):
        found = {n.index for n in matched_notes(Rule("keep", (), scope.what), stem, analysis)}
        return lambda note: (n := next_to(note, other, stem)) is not None and n.index in found
    has_trait = inside(scope.what, stem, analysis)
    return lambda note: (n := next_to(note, other, stem)) is not None and has_trait(n)


def _asks_of_it(scope: Scope) -> bool:
    return isinstance(_inner(scope), Where)


# One note a phrase: the greatest by this measure, the earliest of equals.
_PICKERS: dict[str, Callable[[Note], float]] = {
    "highest": lambda note: note.midi_name,
    "lowest": lambda note: -note.midi_name,
    "longest": lambda note: round(note.end_s - note.start_s, 3),
    "shortest": lambda note: round(note.start_s - note.end_s, 3),
}


def _selected(rule: Rule, stem: StemAnalysis, analysis: Analysis) -> list[Note]:
    what = rule.what
    if what is None:
        return list(stem.notes)
    if isinstance(what, NamedNote):
        return [note for note in stem.notes if _has_name(note, what.name)]
    if isinstance(what, NoteAt):
        return note_at(what.time, stem, analysis)
    notes = notes_of_kind(what.kind, stem)
    if what.role:
        role = "changing tone" if what.role == "changing" else what.role
        return [note for note in notes if note.chord_role == role]
    if not what.degrees:
        return notes
    return [note for note in notes if _has_degree(note, what.degrees, analysis)]


def note_at(time: Time, stem: StemAnalysis, analysis: Analysis) -> list[Note]:
    """The note that sounds then; at a beat, first the note that is sung on it, early or late."""
    at_s = seconds_of(time, analysis)
    if time.seconds is None:
        loose_s = ON_THE_BEAT * beat_length_s(at_s, analysis.bars)
        near = [note for note in stem.notes if abs(note.start_s - at_s) <= loose_s]
        if near:
            return [min(near, key=lambda note: abs(note.start_s - at_s))]
    return [note for note in stem.notes if note.start_s - 1e-9 <= at_s < note.end_s][-1:]


def _has_name(note: Note, name: str) -> bool:
    if name[-1].isdigit():
        return note.midi_name == parse_pitch_name(name)
    return note.midi_name % 12 == pitch_class_of(name)


def _has_degree(note: Note, degrees: Iterable[str], analysis: Analysis) -> bool:
    key = analysis.key_at(note.start_s)
    return key is not None and any(_is_degree(note, degree, key) for degree in degrees)


def _is_degree(note: Note, degree: str, key: Key) -> bool:
    """Whether a note has a degree; a chromatic one by either of its names (#1 is b2)."""
    if same_digit(note.degree, degree, key):
        return True
    outside_scale = degree_semitone(degree, key) not in scale_semitones(key)
    return outside_scale and degree_pc(degree, key) == note.midi_name % 12


def notes_of_kind(kind: Kind, stem: StemAnalysis) -> list[Note]:
    """The notes of a stem that stand where a kind says; all of them for kinds that pick later."""
    if kind == "phrase-ending":
        return [note for note in stem.notes if note.is_phrase_ending]
    if kind in _PLACES:
        groups = _phrases_of(stem) if kind.startswith("phrase-") else _bars_of(stem)
        return [note for notes in groups for note in _PLACES[kind](notes)]
    return list(stem.notes)


def _phrases_of(stem: StemAnalysis) -> list[list[Note]]:
    """The notes of each phrase in order."""
    phrases: dict[int, list[Note]] = {}
    for note in stem.notes:
        if note.phrase is not None:
            phrases.setdefault(note.phrase, []).append(note)
    return list(phrases.values())


def _bars_of(stem: StemAnalysis) -> list[list[Note]]:
    """The notes that begin in each bar, in order."""
    bars: dict[int, list[Note]] = {}
    for note in stem.notes:
        if note.bar is not None:
            bars.setdefault(note.bar, []).append(note)
    return list(bars.values())


def _on_downbeat(note: Note) -> bool:
    return note.bar != 0 and is_on_beat(note, 1)


def _pickup(notes: list[Note]) -> list[Note]:
    """What a phrase sings before the first downbeat it reaches; nothing where it begins there, or
    where more than half a bar would be the pickup."""
    first = notes[0]
    if first.bar is None or first.beat is None or _on_downbeat(first):
        return []
    early = [note for note in notes if note.bar == first.bar and not _on_downbeat(note)]
    goes_on = len(early) < len(notes)
    return early if goes_on and (first.bar == 0 or first.beat >= _HALF_BAR) else []


def _ahead_of_ending(notes: list[Note], count: int) -> list[Note]:
    """The note so many before the structural ending."""
    for note, ending in zip(notes, notes[count:], strict=False):
        if ending.is_phrase_ending:
            return [note]
    return []


_HALF_BAR = 2.5
_PLACES: dict[str, Callable[[list[Note]], list[Note]]] = {
    "bar-opening": lambda notes: notes[:1],
    "bar-ending": lambda notes: notes[-1:],
    "phrase-opening": lambda notes: notes[:1],
    "phrase-second": lambda notes: notes[1:2],
    "phrase-third": lambda notes: notes[2:3],
    "phrase-fourth": lambda notes: notes[3:4],
    "phrase-penultimate": lambda notes: _ahead_of_ending(notes, 1),
    "phrase-antepenultimate": lambda notes: _ahead_of_ending(notes, 2),
    "phrase-pickup": _pickup,
    "phrase-downbeat": lambda notes: [note for note in notes if _on_downbeat(note)][:1],
}


def _picked(notes: list[Note], kind: Kind) -> list[Note]:
    """One note of each phrase, of the song or of each bar, for kinds that pick the greatest of a
    measure."""
    measure = _PICKERS.get(kind.removeprefix("song-").removeprefix("bar-"))
    if measure is None or not notes:
        return notes
    if kind.startswith("song-"):
        return [max(notes, key=measure)]
    return _one_of_each(notes, measure, "bar" if kind.startswith("bar-") else "phrase")


def _one_of_each(
    notes: Sequence[Note], measure: Callable[[Note], float], unit: Literal["bar", "phrase"]
) -> list[Note]:
    best: dict[int | None, Note] = {}
    for note in notes:
        number = note.bar if unit == "bar" else note.phrase
        held = best.get(number)
        if held is None or measure(note) > measure(held):
            best[number] = note
    return sorted(best.values(), key=lambda note: note.start_s)
