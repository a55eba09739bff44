"""The keys of a variant: where melody and band move together by one interval, home moves too."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from retune.carriers.changes import Edit
from retune.carriers.heard import Analysis, KeySpan, Phrase, StemAnalysis
from retune.theory.signature import key_moved

_LOOSE_S = 0.05
_BAND_ROLES = ("bass", "harmony", "backing")


def keys_after(analysis: Analysis, edits: Sequence[Edit]) -> tuple[KeySpan, ...]:
    """The keys once a plan is made: those as sung, lifted over the phrases in which every note of
    the melody, the bass and the harmony and all the backing move by one number of semitones.

    A lift begins with the first edit after the phrase before, and lasts until a phrase that has no
    part in it.
    """
    melody = analysis.melody
    band = [s for s in analysis.stems.values() if s.role in _BAND_ROLES and s is not melody]
    moving = {edit.stem for edit in edits}
    all_move = melody is not None and {melody.name, *(stem.name for stem in band)} <= moving
    if melody is None or not band or not analysis.keys or not all_move:
        return analysis.keys
    notes = {(e.stem, e.note or 0): e.shift_cents for e in edits if e.note is not None}
    spans = [edit for edit in edits if edit.note is None]
    lifts: list[tuple[float, int]] = [(analysis.keys[0].start_s, 0)]
    before_s = 0.0
    for phrase in melody.phrases:
        lift = _lift(phrase, melody, band, notes, spans)
        if lift != lifts[-1][1]:
            starts = (e.start_s for e in edits if before_s - _LOOSE_S <= e.start_s)
            first_s = min(starts, default=phrase.start_s) if lift else phrase.start_s
            lifts.append((min(first_s, phrase.start_s), lift))
        before_s = phrase.end_s
    return analysis.keys if len(lifts) == 1 else _spans(analysis.keys, lifts)


def _spans(keys: Sequence[KeySpan], lifts: Sequence[tuple[float, int]]) -> tuple[KeySpan, ...]:
    found = []
    for at_s in sorted({*(span.start_s for span in keys), *(start_s for start_s, _ in lifts)}):
        key = [span.key for span in keys if span.start_s <= at_s][-1]
        lift = [lift for start_s, lift in lifts if start_s <= at_s][-1]
        found.append(KeySpan(at_s, key_moved(key, lift) if lift % 12 else key))
    return tuple(found)


def _lift(
    phrase: Phrase,
    melody: StemAnalysis,
    band: Sequence[StemAnalysis],
    notes: Mapping[tuple[str, int], float],
    spans: Sequence[Edit],
) -> int:
    """Semitones that all that sounds in a phrase moves by; 0 where it parts ways."""
    sung = [n for n in melody.notes if n.phrase == phrase.index]
    asked_s = [(note.start_s + note.end_s) / 2 for note in sung]
    cents = {notes.get((melody.name, note.index), 0.0) for note in sung}
    for stem in band:
        within = [n for n in stem.notes if phrase.start_s - _LOOSE_S <= n.start_s < phrase.end_s]
        cents |= {notes.get((stem.name, note.index), 0.0) for note in within}
        if not stem.notes:
            cents |= {_span_cents(stem, at_s, spans) for at_s in asked_s}
    only = cents.pop() if len(cents) == 1 else 0.0
    return 0 if only % 100 else round(only / 100)


def _span_cents(stem: StemAnalysis, at_s: float, spans: Sequence[Edit]) -> float:
    inside = (e for e in spans if e.stem == stem.name and e.start_s <= at_s < e.end_s)
    return next((e.shift_cents for e in inside), 0.0)
