"""Which note of a phrase is its ending, and what belongs to it or trails after it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from retune.carriers.heard import Bars
from retune.song.bartime import beats_at

# Longest tail note in beats, and the longest whole tail beside the note it follows.
TAIL_NOTE_BEATS = 0.55
TAIL_SHARE = 0.6
# A tail note lasts at most this share of the note that the tail follows.
TAIL_NOTE_SHARE = 0.45
TAIL_NOTES = 4
STEP = 2
# Re-struck notes of an ending follow within this many beats.
RESTRUCK_BEATS = 0.5


@dataclass(frozen=True)
class Sung:
    """What is needed of a note: `joined` when the note before runs into it on one vowel;
    `ending` True or False where a person said so."""

    start_s: float
    end_s: float
    midi: int
    joined: bool = False
    ending: bool | None = None


@dataclass(frozen=True)
class PhraseEnd:
    """Positions of the ending, of re-struck notes that belong to it, and of its tail."""

    ending: int
    restruck: tuple[int, ...] = ()
    tail: tuple[int, ...] = ()


def accent(time_s: float, bars: Bars) -> int:
    """Metrical weight: 3 a downbeat, 2 the middle of a bar of four (or of two threes), 1 a
    beat, 0 between beats or where bars are unknown."""
    if len(bars.downbeats_s) < 2:
        return 0
    beats = float(beats_at(time_s, bars))
    near = round(beats)
    if abs(beats - near) > 0.2:
        return 0
    bar = bars.bar_of(near)
    beat, per_bar = near - bars.first_beat(bar), bars.beats_in(bar)
    if beat == 0:
        return 3
    return 2 if per_bar % 2 == 0 and per_bar > 2 and beat == per_bar // 2 else 1


def phrase_end(notes: Sequence[Sung], first: int, last: int, *, bars: Bars) -> PhraseEnd:
    """The ending of the phrase of notes `first` to `last` (positions, inclusive).

    The structural ending is the last note, but for a short tail that runs on from it by step on
    the same vowel, and for the same pitch struck again in a weaker place (a feminine ending),
    which belongs to it. What a person said goes first.
    """
    said = [k for k in range(first, last + 1) if notes[k].ending is True]
    if said:
        end = said[-1]
        after = tuple(range(end + 1, last + 1))
        same = tuple(k for k in after if notes[k].midi == notes[end].midi)
        return PhraseEnd(end, same, _trailing(notes, end, [k for k in after if k not in same]))
    allowed = [k for k in range(first, last + 1) if notes[k].ending is not False] or [last]
    stop = allowed[-1]
    tail_from = _tail_start(notes, first, stop, bars)
    end = tail_from - 1 if tail_from is not None else stop
    head = _struck_first(notes, first, end, bars) if notes[end].ending is None else end
    if notes[head].ending is False:
        head = end
    restruck = tuple(range(head + 1, end + 1))
    return PhraseEnd(head, restruck, _trailing(notes, end, range(end + 1, last + 1)))


def _trailing(notes: Sequence[Sung], end: int, after: Sequence[int]) -> tuple[int, ...]:
    """What follows an ending is its tail when all of it is no longer than the ending itself."""
    length_s = sum(notes[k].end_s - notes[k].start_s for k in after)
    return tuple(after) if length_s <= notes[end].end_s - notes[end].start_s else ()


def _beats(note: Sung, bars: Bars) -> float:
    if len(bars.downbeats_s) < 2:
        return (note.end_s - note.start_s) / 0.5
    return float(beats_at(note.end_s, bars) - beats_at(note.start_s, bars))


def _tail_start(notes: Sequence[Sung], first: int, last: int, bars: Bars) -> int | None:
    """The first note of a tail that closes a phrase, or None."""
    for count in range(min(TAIL_NOTES, last - first), 0, -1):
        start = last - count + 1
        body = notes[start - 1]
        tail = notes[start : last + 1]
        length = body.end_s - body.start_s
        if _is_tail(body, tail, length, bars):
            return start
    return None


def _is_tail(body: Sung, tail: Sequence[Sung], length_s: float, bars: Bars) -> bool:
    lengths = [note.end_s - note.start_s for note in tail]
    chain = [body.midi, *(note.midi for note in tail)]
    by_step = all(0 < abs(b - a) <= STEP for a, b in pairwise(chain))
    return (
        by_step
        and all(note.joined for note in tail)
        and all(_beats(note, bars) <= TAIL_NOTE_BEATS for note in tail)
        and max(lengths) <= TAIL_NOTE_SHARE * length_s
        and sum(lengths) <= TAIL_SHARE * length_s
    )


def _struck_first(notes: Sequence[Sung], first: int, end: int, bars: Bars) -> int:
    """Where the pitch of the ending was struck first, if that was the stronger place."""
    head = end
    while head > first:
        before, here = notes[head - 1], notes[head]
        gap_beats = _beats(Sung(before.end_s, max(here.start_s, before.end_s), 0), bars)
        if before.midi != here.midi or gap_beats > RESTRUCK_BEATS:
            break
        stronger = accent(before.start_s, bars) > accent(here.start_s, bars)
        if not stronger:
            break
        head -= 1
    return head
