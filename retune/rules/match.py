"""Which notes (or spans of time) a rule means, always among the original notes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from retune.carriers.errors import ChordError, InputError, UsageError
from retune.carriers.heard import Analysis, Chord, Key, Note, StemAnalysis
from retune.rules.model import (
    LAST,
    Except,
    FromTo,
    In,
    NamedNote,
    NoteAt,
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
    if isinstance(rule.what, Selector) and rule.what.kind in _PICKERS:
        chosen = _one_a_phrase(chosen, _PICKERS[rule.what.kind])
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
    notes = [note for note in stem.notes if _is_kind(note, what, stem)]
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


def _is_kind(note: Note, selector: Selector, stem: StemAnalysis) -> bool:
    if selector.kind == "phrase-ending":
        return note.is_phrase_ending
    if selector.kind in ("phrase-opening", "phrase-downbeat"):
        first = _first_of_phrase(note, stem, on_downbeat=selector.kind == "phrase-downbeat")
        return first is not None and first.index == note.index
    return True


def _first_of_phrase(note: Note, stem: StemAnalysis, *, on_downbeat: bool) -> Note | None:
    if note.phrase is None:
        return None
    for other in stem.notes:
        if other.phrase == note.phrase and (not on_downbeat or _on_downbeat(other)):
            return other
    return None


def _on_downbeat(note: Note) -> bool:
    return note.beat is not None and note.bar != 0 and abs(note.beat - 1) <= ON_THE_BEAT


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
    return lambda note: _over(note, scope, analysis)


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


def bounds(span: Span, last: int) -> tuple[int, int]:
    """First and last number of a list item."""
    low = last if span.low == LAST else int(span.low)
    high = last if span.high == LAST else int(span.high)
    return low, high


def _listed(number: int | None, spans: Sequence[Span], last: int) -> bool:
    if number is None:
        return False
    return any(low <= number <= high for low, high in (bounds(span, last) for span in spans))


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


# --- scopes of time, for stems that move as a whole --------------------------------------------


def matched_spans(rule: Rule, analysis: Analysis) -> Spans:
    """The spans of time that the scopes of a rule leave, merged and in order."""
    spans: Spans = [(0.0, analysis.duration_s)]
    for scope in rule.scopes:
        spans = _intersect(spans, _spans_of(scope, analysis))
    return [(start, end) for start, end in spans if end - start > 1e-6]


def _spans_of(scope: Scope, analysis: Analysis) -> Spans:
    whole = (0.0, analysis.duration_s)
    if isinstance(scope, Except):
        return _complement(_spans_of(scope.scope, analysis), whole)
    if isinstance(scope, FromTo):
        return [(seconds_of(scope.start, analysis), seconds_of(scope.end, analysis))]
    if isinstance(scope, In):
        last = last_number(scope, None, analysis)
        found = [
            _in_span(scope, bounds(span, last), span.high == LAST, analysis) for span in scope.spans
        ]
        return _merge([span for spans in found for span in spans])
    if isinstance(scope, Over):
        return _merge(
            [
                (chord.start_s, chord.end_s)
                for chord in analysis.chords
                if over_chord(chord, scope, analysis, chord.start_s)
            ]
        )
    raise UsageError(
        f'"{scope}" asks about single notes; a stem that is not one voice moves by bars, times, '
        "phrases or chords"
    )


def _in_span(scope: In, numbers: tuple[int, int], to_end: bool, analysis: Analysis) -> Spans:
    """Phrases or bars as time; what runs to the last rings out with the song."""
    low, high = numbers
    if scope.what == "phrase":
        return [span for number, span in _phrase_spans(analysis) if low <= number <= high]
    downbeats = analysis.bars.downbeats_s
    last = len(downbeats) - 1
    if low > last or last < 1:
        return []
    start_s = 0.0 if low == 0 else downbeats[low - 1]
    end_s = analysis.duration_s if to_end else downbeats[min(high, last)]
    return [(start_s, min(end_s, analysis.duration_s))]


def _phrase_spans(analysis: Analysis) -> list[tuple[int, tuple[float, float]]]:
    """The phrases of the melody, each until the next begins, so that a band moved under two of
    them does not fall back between."""
    phrases = analysis.melody.phrases if analysis.melody else ()
    ends_s = [*(phrase.start_s for phrase in phrases[1:]), analysis.duration_s]
    return [(p.index, (p.start_s, end_s)) for p, end_s in zip(phrases, ends_s, strict=False)]


def _merge(spans: Spans) -> Spans:
    merged: Spans = []
    for start, end in sorted(spans):
        if merged and start <= merged[-1][1] + 1e-6:
            merged[-1] = (merged[-1][0], max(end, merged[-1][1]))
        else:
            merged.append((start, end))
    return merged


def _intersect(first: Spans, second: Spans) -> Spans:
    return _merge(
        [
            (max(a, c), min(b, d))
            for a, b in first
            for c, d in second
            if min(b, d) - max(a, c) > 1e-6
        ]
    )


def _complement(spans: Spans, whole: tuple[float, float]) -> Spans:
    left, place = [], whole[0]
    for start, end in _merge(spans):
        if start > place:
            left.append((place, start))
        place = max(place, end)
    if place < whole[1]:
        left.append((place, whole[1]))
    return left
