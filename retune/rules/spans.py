"""Where in time the scopes of a rule lie, for stems that move as a whole."""

from __future__ import annotations

from retune.carriers.errors import UsageError
from retune.carriers.heard import Analysis
from retune.rules.inside import (
    Spans,
    bounds,
    last_number,
    middle_of_song,
    over_chord,
    seconds_of,
    section_spans,
    word_spans,
)
from retune.rules.model import Rule
from retune.rules.scopes import LAST, Except, FromTo, FromWord, In, InHalf, InSection, Over, Scope


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
        start_s = seconds_of(scope.start, analysis) if scope.start is not None else 0.0
        end_s = seconds_of(scope.end, analysis) if scope.end is not None else whole[1]
        return [(start_s, end_s)]
    if isinstance(scope, FromWord):
        return word_spans(scope, None, analysis)
    if isinstance(scope, InHalf) and scope.of == "song":
        middle_s = middle_of_song(analysis)
        return [(0.0, middle_s) if scope.half == 1 else (middle_s, whole[1])]
    if isinstance(scope, In) and scope.what != "note":
        last = last_number(scope, None, analysis)
        found = [
            _in_span(scope, (number, stop), span.high == LAST, analysis)
            for span in scope.spans
            for number, stop in bounds(span, last)
        ]
        return _merge([span for spans in found for span in spans])
    if isinstance(scope, InSection):
        return _merge(section_spans(scope, analysis))
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
        "phrases, sections, chords or halves of the song"
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
