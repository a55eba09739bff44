"""Beats as a ruler of time, and notes as they lie once a plan has moved them."""

from __future__ import annotations

from dataclasses import replace

from retune.carriers.changes import Edit
from retune.carriers.heard import Analysis, Bars, Chord, Note
from retune.song.bartime import beats_at, seconds_at

LOOSE_BEATS = 0.125
"""How long before its beat a note may begin, or after it end, and still be meant for it (common
practice, no source)."""
ADJACENT_S = 0.15
"""A note that begins so soon after the end of another is sung on from it: a consonant fits in."""


def beat_at(bars: Bars, time_s: float) -> float:
    """How many written beats lie between the first downbeat and a time; less than 0 before it."""
    return float(beats_at(time_s, bars))


def time_at(bars: Bars, beat: float) -> float:
    """The time of a beat counted from the first downbeat: `beat_at` the other way."""
    return seconds_at(beat, bars)


def has_beats(bars: Bars) -> bool:
    """Whether there are bars to count beats by."""
    return len(bars.downbeats_s) >= 2


def place_of(bars: Bars, time_s: float) -> tuple[int | None, float | None]:
    """Bar (0 for the pickup) and beat (from 1) of a time, a little early counting as on time."""
    if not has_beats(bars):
        return None, None
    beats = beat_at(bars, time_s)
    bar = bars.bar_of(beats + LOOSE_BEATS)
    return max(bar, 0), beats - bars.first_beat(bar) + 1


def note_after(note: Note, edit: Edit | None, analysis: Analysis) -> Note:
    """A note as it lies in time in the variant: its ends, bar, beat and chords; not its pitch."""
    if edit is None or not edit.moves_in_time:
        return note
    start_s, end_s = edit.span_after
    onset, end = note.chord_at_onset, note.chord_at_end
    loose_s = _loose_s(start_s, end_s, analysis.bars)
    if start_s != note.start_s:
        onset = analysis.chord_at(start_s + loose_s)
    if end_s != note.end_s:
        end = _last_or(analysis, max(end_s - 2 * loose_s, start_s + loose_s))
    bar, beat = (
        (note.bar, note.beat) if start_s == note.start_s else place_of(analysis.bars, start_s)
    )
    judged = end if note.is_phrase_ending else onset
    moved = (onset, end) != (note.chord_at_onset, note.chord_at_end)
    return replace(
        note,
        start_s=start_s,
        end_s=end_s,
        bar=bar,
        beat=beat,
        chord_at_onset=onset,
        chord_at_end=end,
        chord=judged if moved else note.chord,
        over=None,
    )


def _loose_s(start_s: float, end_s: float, bars: Bars) -> float:
    part_s = (end_s - start_s) / 4
    if not has_beats(bars):
        return part_s / 2
    beat_s = time_at(bars, beat_at(bars, start_s) + 1) - start_s
    return min(LOOSE_BEATS * beat_s, part_s)


def _last_or(analysis: Analysis, at_s: float) -> Chord | None:
    """The chord at a time, or the song's last where a note is held past it."""
    if analysis.chords and at_s >= analysis.chords[-1].end_s:
        return analysis.chords[-1]
    return analysis.chord_at(at_s)


def place_words(bars: Bars, time_s: float) -> str:
    """ "Bar 8, beat 2", "Bar 8" for its first beat, "The pickup", or seconds without bars."""
    bar, beat = place_of(bars, time_s)
    if bar is None or beat is None:
        return f"{time_s:.2f} s"
    if bar == 0:
        return "The pickup"
    near = round(beat * 4) / 4
    return f"Bar {bar}" if near == 1 else f"Bar {bar}, beat {near:g}"


def move_words(edit: Edit, bars: Bars) -> str:
    """How a note moves in time: "1 beat longer", "begins 0.5 beats later"; "" where it does not.

    In seconds where the song has no beats.
    """
    start_s, end_s = edit.span_after
    head, tail = (_length(a, b, bars) for a, b in ((edit.start_s, start_s), (edit.end_s, end_s)))
    if head == tail:
        return f"{_by(head, bars)} {_way(head)}" if head else ""
    words = []
    if head:
        words.append(f"begins {_by(head, bars)} {_way(head)}")
    if tail:
        is_alone = not head
        longer = ("longer" if tail > 0 else "shorter") if is_alone else _way(tail)
        words.append(f"{'' if is_alone else 'ends '}{_by(tail, bars)} {longer}")
    return ", ".join(words)


def _way(length: float) -> str:
    return "later" if length > 0 else "earlier"


def _length(from_s: float, to_s: float, bars: Bars) -> float:
    """Beats, or seconds where there are none, to a hundredth."""
    if not has_beats(bars):
        return round(to_s - from_s, 2)
    return round(beat_at(bars, to_s) - beat_at(bars, from_s), 2)


def _by(length: float, bars: Bars) -> str:
    size = f"{abs(length):g}"
    if not has_beats(bars):
        return f"{size} s"
    return f"{size} beat{'' if size == '1' else 's'}"
