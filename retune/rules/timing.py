"""Rules that move the ends of notes: what each asks for, and what of it there is room for.

Each rule asks for new times of ends of notes (`Wish`). When all have asked, the wishes are tried
together: a note keeps a least length, and no note is pushed by another. What does not fit is
refused in words that say how much room there is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from retune.carriers.heard import Analysis, Chord, Note, StemAnalysis
from retune.rules.inside import seconds_of
from retune.rules.model import Rule, Timing
from retune.song.moved import beat_at, has_beats, time_at
from retune.theory.chords import is_no_chord

JOINED_S = 0.15
"""A note that follows within this much goes on from the one before."""

START, END = 0, 1


@dataclass(frozen=True)
class Wish:
    """New times for ends of notes of one stem, all or none: (note index, START or END) to
    seconds. `note` is the one that the rule means, `may_shrink` whether less will do."""

    rule: str
    stem: str
    note: Note
    ends: Mapping[tuple[int, int], float]
    may_shrink: bool = False


@dataclass(frozen=True)
class Refusal:
    """Why a note is not moved in time."""

    why: str


# --- what a rule asks for --------------------------------------------------------------------


def wish_of(rule: Rule, note: Note, stem: StemAnalysis, analysis: Analysis) -> Wish | Refusal:
    """The ends that a rule moves for one of its notes."""
    if stem.role == "mix" or stem.inside:
        return Refusal(
            "inside a finished mix notes move in pitch only: what else sounds there cannot be "
            "drawn out with them; give the voice as a stem of its own"
        )
    before = _before(note, stem, analysis)
    if rule.action == "suspend":
        return _suspension(rule, note, before, stem, analysis)
    assert rule.timing is not None
    of_end = rule.action in ("hold", "shorten")
    last = _last_part(note, stem) if of_end else note
    now_s = last.end_s if of_end else last.start_s
    later = rule.action in ("hold", "delay")
    to_s = _moved(now_s, note.start_s, rule.timing, later=later, analysis=analysis)
    if isinstance(to_s, Refusal):
        return to_s
    if rule.timing.in_all and later != (to_s > now_s):
        return Refusal(f"it lasts {now_s - note.start_s:.2f} s already")
    if later != (to_s > now_s):
        which = "end" if of_end else "beginning"
        return Refusal(f"{rule.timing.to} does not lie {_side(later)} its {which}")
    if of_end:
        return Wish(str(rule), stem.name, note, {(last.index, END): to_s}, may_shrink=later)
    return _onset_wish(rule, note, before, to_s, stem)


def _side(later: bool) -> str:
    return "after" if later else "before"


def _onset_wish(
    rule: Rule, note: Note, before: Note | None, to_s: float, stem: StemAnalysis
) -> Wish:
    """A beginning moves, and with it the end of the note that it goes on from."""
    ends = {(note.index, START): to_s}
    if before is not None:
        ends[before.index, END] = before.end_s + to_s - note.start_s
    return Wish(str(rule), stem.name, note, ends, may_shrink=before is None)


def _moved(
    now_s: float, start_s: float, timing: Timing, *, later: bool, analysis: Analysis
) -> float | Refusal:
    """Where an end goes that lies at `now_s`, of a note that begins at `start_s`."""
    if timing.to is not None:
        return seconds_of(timing.to, analysis)
    way = 1 if later else -1
    if timing.unit == "second":
        return now_s + way * timing.amount
    if not has_beats(analysis.bars):
        return Refusal("the song has no beats to count; say it in seconds, such as 0.5s")
    if timing.in_all:
        return time_at(analysis.bars, beat_at(analysis.bars, start_s) + timing.amount)
    return time_at(analysis.bars, beat_at(analysis.bars, now_s) + way * timing.amount)


def _last_part(note: Note, stem: StemAnalysis) -> Note:
    """Of a phrase ending the last note that belongs to it: its re-struck pitch or its tail."""
    parts = [n for n in stem.notes if note.index in (n.ending_of, n.tail_of)]
    return parts[-1] if parts else note


def _before(note: Note, stem: StemAnalysis, analysis: Analysis) -> Note | None:
    """The note that this one goes on from: at once, or within a phrase after half a beat."""
    if note.index < 2:
        return None
    before = stem.note(note.index - 1)
    gap_s = note.start_s - before.end_s
    is_near = before.phrase == note.phrase and gap_s <= beat_s(analysis, note.start_s) / 2
    return before if is_near or gap_s < JOINED_S else None


def beat_s(analysis: Analysis, at_s: float) -> float:
    """How long a beat lasts there; half a second where the song has no beats."""
    if not has_beats(analysis.bars):
        return 0.5
    return time_at(analysis.bars, beat_at(analysis.bars, at_s) + 1) - at_s


def _suspension(
    rule: Rule, note: Note, before: Note | None, stem: StemAnalysis, analysis: Analysis
) -> Wish | Refusal:
    """The note before is held over the chord change: for a beat, or for half of a note that is
    shorter than two (common practice, no source)."""
    if before is None or before.phrase != note.phrase:
        return Refusal("no note goes before it in the phrase that could be held")
    if before.midi_name == note.midi_name:
        return Refusal(f"the note before it is {before.name} too, so nothing would resolve")
    if not has_beats(analysis.bars):
        return Refusal("the song has no beats; write delay and how long, such as by 0.5s")
    chord = chord_change(note, before, analysis)
    if chord is None:
        return Refusal("no chord changes under it, so there is nothing to hold over")
    start = beat_at(analysis.bars, note.start_s)
    beats = beat_at(analysis.bars, note.end_s) - start
    by = 1.0 if beats >= 1.75 else beats / 2
    return _onset_wish(rule, note, before, time_at(analysis.bars, start + by), stem)


def chord_change(note: Note, before: Note, analysis: Analysis) -> Chord | None:
    """The chord that comes with a note, within half a beat; None where none does."""
    near_s = beat_s(analysis, note.start_s) / 2
    for earlier, chord in zip(analysis.chords, analysis.chords[1:], strict=False):
        comes = abs(chord.start_s - note.start_s) <= near_s and chord.start_s > before.start_s
        if comes and not is_no_chord(chord) and earlier.tones != chord.tones:
            return chord
    return None
