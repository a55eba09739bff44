"""Which notes (or spans of time) a rule means, always among the original notes."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Sequence

from retune.carriers.errors import ChordError, InputError
from retune.carriers.heard import Analysis, Chord, Key, Note, StemAnalysis
from retune.rules.lyrics import plain_word, sung_words
from retune.rules.model import (
    LAST,
    AtCadences,
    Except,
    FromTo,
    In,
    InSection,
    Kind,
    NamedNote,
    NoteAt,
    OnBeats,
    OnWord,
    Over,
    Rule,
    Scope,
    Selector,
    Span,
    Time,
    Where,
)
from retune.song.bartime import bar_time
from retune.theory.chords import chord_matches, is_no_chord, is_tonic_chord
from retune.theory.keys import degree_pc, degree_semitone, scale_semitones
from retune.theory.pitchnames import parse_pitch_name, pitch_class_of
from retune.theory.roles import is_chord_tone, same_digit
from retune.theory.roman import is_numeral

ON_THE_BEAT = 0.13
"""How far from a downbeat, in beats, an onset still counts as on it: about 85 ms at 92 bpm,
within the looseness of human timing (common practice, no source)."""
Spans = list[tuple[float, float]]
# Chords named by letters mean the same in every key.
_ANY_KEY = Key("C", "major")


def seconds_of(time: Time, analysis: Analysis) -> float:
    """A moment of a rule in seconds; raises InputError when the song has no such place."""
    if time.seconds is not None:
        return time.seconds
    return bar_time(analysis.bars, time.bar, time.beat)


def matched_notes(rule: Rule, stem: StemAnalysis, analysis: Analysis) -> list[Note]:
    """The notes of a stem that a rule means, in order of time.

    The highest, lowest or longest note of a phrase is looked for among those of the degrees,
    places and chords that the rule names; "where it is ..." then asks about the note found.
    """
    chosen = _selected(rule, stem, analysis)
    chosen = _within(chosen, [s for s in rule.scopes if not _asks_of_it(s)], stem, analysis)
    if isinstance(rule.what, Selector):
        chosen = _picked(chosen, rule.what.kind)
    return _within(chosen, [s for s in rule.scopes if _asks_of_it(s)], stem, analysis)


def _within(
    notes: list[Note], scopes: Iterable[Scope], stem: StemAnalysis, analysis: Analysis
) -> list[Note]:
    for scope in scopes:
        inside = _test_of(scope, stem, analysis)
        notes = [note for note in notes if inside(note)]
    return notes


def _asks_of_it(scope: Scope) -> bool:
    return isinstance(scope.scope if isinstance(scope, Except) else scope, Where)


# One note a phrase: the greatest by this measure, the earliest of equals.
_PICKERS: dict[str, Callable[[Note], float]] = {
    "highest": lambda note: note.midi_name,
    "lowest": lambda note: -note.midi_name,
    "longest": lambda note: round(note.end_s - note.start_s, 3),
}


def _selected(rule: Rule, stem: StemAnalysis, analysis: Analysis) -> list[Note]:
    what = rule.what
    if what is None:
        return list(stem.notes)
    if isinstance(what, NamedNote):
        return [note for note in stem.notes if _has_name(note, what.name)]
    if isinstance(what, NoteAt):
        return _note_at(what.time, stem, analysis)
    notes = notes_of_kind(what.kind, stem)
    if what.role:
        return [note for note in notes if note.chord_role == what.role]
    if not what.degrees:
        return notes
    return [note for note in notes if _has_degree(note, what.degrees, analysis)]


def _note_at(time: Time, stem: StemAnalysis, analysis: Analysis) -> list[Note]:
    """The note that sounds then; at a beat, first the note that is sung on it, early or late."""
    at_s = seconds_of(time, analysis)
    if time.seconds is None:
        beat_s = bar_time(analysis.bars, time.bar + 1) - bar_time(analysis.bars, time.bar)
        loose_s = ON_THE_BEAT * beat_s / analysis.bars.beats_per_bar
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
    if kind.startswith("phrase-"):
        found = [_PLACES[kind](notes) for notes in _phrases_of(stem)]
        return [note for notes in found for note in notes]
    return list(stem.notes)


def _phrases_of(stem: StemAnalysis) -> list[list[Note]]:
    """The notes of each phrase in order."""
    phrases: dict[int, list[Note]] = {}
    for note in stem.notes:
        if note.phrase is not None:
            phrases.setdefault(note.phrase, []).append(note)
    return list(phrases.values())


def _on_downbeat(note: Note) -> bool:
    return note.bar != 0 and is_on_beat(note, 1)


def is_on_beat(note: Note, beat: float) -> bool:
    """Whether a note begins on a beat of its bar, a little early or late."""
    return note.beat is not None and abs(note.beat - beat) <= ON_THE_BEAT


def _pickup(notes: list[Note]) -> list[Note]:
    """What a phrase sings before the first downbeat it reaches; nothing where it begins there, or
    where more than half a bar would be the pickup."""
    first = notes[0]
    if first.bar is None or first.beat is None or _on_downbeat(first):
        return []
    early = [note for note in notes if note.bar == first.bar and not _on_downbeat(note)]
    goes_on = len(early) < len(notes)
    return early if goes_on and (first.bar == 0 or first.beat >= _HALF_BAR) else []


def _before_ending(notes: list[Note]) -> list[Note]:
    """The note before the structural ending."""
    for before, note in itertools.pairwise(notes):
        if note.is_phrase_ending:
            return [before]
    return []


_HALF_BAR = 2.5
_PLACES: dict[str, Callable[[list[Note]], list[Note]]] = {
    "phrase-opening": lambda notes: notes[:1],
    "phrase-second": lambda notes: notes[1:2],
    "phrase-third": lambda notes: notes[2:3],
    "phrase-fourth": lambda notes: notes[3:4],
    "phrase-penultimate": _before_ending,
    "phrase-pickup": _pickup,
    "phrase-downbeat": lambda notes: [note for note in notes if _on_downbeat(note)][:1],
}


def _picked(notes: list[Note], kind: Kind) -> list[Note]:
    """One note of each phrase, or of the song, for kinds that pick the greatest of a measure."""
    measure = _PICKERS.get(kind.removeprefix("song-"))
    if measure is None or not notes:
        return notes
    if kind.startswith("song-"):
        return [max(notes, key=measure)]
    return _one_a_phrase(notes, measure)


def _one_a_phrase(notes: Sequence[Note], measure: Callable[[Note], float]) -> list[Note]:
    best: dict[int | None, Note] = {}
    for note in notes:
        held = best.get(note.phrase)
        if held is None or measure(note) > measure(held):
            best[note.phrase] = note
    return sorted(best.values(), key=lambda note: note.start_s)


# --- scopes of notes -------------------------------------------------------------------------


def _test_of(scope: Scope, stem: StemAnalysis, analysis: Analysis) -> Callable[[Note], bool]:
    if isinstance(scope, Except):
        inside = _test_of(scope.scope, stem, analysis)
        return lambda note: not inside(note)
    if isinstance(scope, In):
        last = last_number(scope, stem, analysis)
        if scope.what == "phrase":
            return lambda note: _listed(note.phrase, scope.spans, last)
        return lambda note: _listed(note.bar, scope.spans, last)
    if isinstance(scope, FromTo):
        return lambda note: (
            not _is_before(note, scope.start, analysis) and _is_before(note, scope.end, analysis)
        )
    if isinstance(scope, Where):
        # Where no chord sounds a note is neither.
        return lambda note: (
            not is_no_chord(note.chord)
            and is_chord_tone(note.midi_name, note.chord) == scope.is_chord_tone
        )
    if isinstance(scope, InSection):
        spans = section_spans(scope, analysis)
        return lambda note: any(start <= note.start_s + 1e-6 < end for start, end in spans)
    if isinstance(scope, AtCadences):
        closing = _closing_so(scope, stem, analysis)
        return lambda note: note.phrase in closing
    if isinstance(scope, OnBeats):
        return lambda note: any(is_on_beat(note, beat) for beat in scope.beats)
    if isinstance(scope, OnWord):
        sung = sung_words(stem)
        wanted = plain_word(scope.word)
        return lambda note: sung.get(note.index) == wanted
    return lambda note: _over(note, scope, analysis)


def section_spans(scope: InSection, analysis: Analysis) -> Spans:
    """The sections that a name means, as time; raises InputError when the song has none such."""
    sections = analysis.sections
    same = [s for s in sections if s.name.casefold() == scope.name.casefold()]
    whole = f"{scope.name} {scope.which}".strip().casefold()
    named = [s for s in sections if s.name.casefold() == whole]
    if scope.which and not named and same:
        place = len(same) if scope.which == LAST else int(scope.which)
        named = same[place - 1 : place]
    if not named:
        known = ", ".join(dict.fromkeys(s.name for s in sections))
        has = (
            f"it has {known}"
            if known
            else 'name them in the song file, under [music]: sections = [["1:1", "verse"]]'
        )
        raise InputError(f'section "{whole}" is not in the song; {has}')
    return [(s.start_s, s.end_s) for s in named]


def _closing_so(scope: AtCadences, stem: StemAnalysis, analysis: Analysis) -> set[int]:
    """The phrases that close with a cadence; those of the melody for stems without."""
    source = stem if stem.phrases else analysis.melody
    wanted = {"authentic": ("perfect authentic", "imperfect authentic")}
    wanted["half"] = ("half", "phrygian half")
    named = {name for kind in scope.cadences for name in wanted.get(kind, (kind,))}
    phrases = source.phrases if source is not None else ()
    return {phrase.index for phrase in phrases if phrase.cadence in named}


def _is_before(note: Note, time: Time, analysis: Analysis) -> bool:
    """Whether a note begins before a moment; at a beat by its place in the bar, which bears with
    onsets a little early."""
    if time.seconds is None and note.bar is not None and note.beat is not None:
        seconds_of(time, analysis)  # refuses a place that the song has not
        return (note.bar, note.beat + 1e-6) < (time.bar, time.beat)
    return note.start_s < seconds_of(time, analysis) - 1e-9


def last_number(scope: In, stem: StemAnalysis | None, analysis: Analysis) -> int:
    """What "last" means: the last phrase, or the last bar in which the stem (for a stem without
    notes of its own, the melody) begins a note: bars that only ring out do not count."""
    if scope.what == "phrase":
        source = stem if stem is not None and stem.phrases else analysis.melody
        return max((phrase.index for phrase in source.phrases), default=0) if source else 0
    source = stem if stem is not None and stem.notes else analysis.melody
    if source is not None and source.notes:
        return max((note.bar for note in source.notes if note.bar is not None), default=0)
    return max(len(analysis.bars.downbeats_s) - 1, 0)


def bounds(span: Span, last: int) -> list[tuple[int, int]]:
    """The runs of numbers that a list item means, each by its first and last."""
    low, high = (_number_of(end, last) for end in (span.low, span.high))
    if span.step == 1:
        return [(low, high)]
    return [(number, number) for number in range(low, high + 1, span.step)]


def _number_of(end: int | str, last: int) -> int:
    if end == LAST:
        return last
    number = int(end)
    return max(last + 1 + number, 1) if number < 0 else number


def _listed(number: int | None, spans: Sequence[Span], last: int) -> bool:
    if number is None:
        return False
    return any(low <= number <= high for span in spans for low, high in bounds(span, last))


def _over(note: Note, scope: Over, analysis: Analysis) -> bool:
    return over_chord(note.chord, scope, analysis, note.start_s)


def over_chord(chord: Chord | None, scope: Over, analysis: Analysis, at_s: float) -> bool:
    """Whether a chord is what an "over ..." means, in the key of the moment."""
    key = analysis.key_at(at_s)
    if chord is None:
        return False
    if not scope.chords:
        if key is None or is_no_chord(chord):
            return False
        return is_tonic_chord(chord, key) != scope.other_than_tonic
    try:
        return any(_matches(chord, label, key) for label in scope.chords)
    except ChordError as error:
        raise InputError(f'"over {" or ".join(scope.chords)}": {error}') from error


def _matches(chord: Chord, label: str, key: Key | None) -> bool:
    """Whether a chord is what a label names; without a key no numeral names any."""
    if key is None and is_numeral(label):
        return False
    return chord_matches(chord, label, key or _ANY_KEY)
