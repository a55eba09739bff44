"""Which moves in time fit together: no note is pushed by another, each keeps a least length.

What does not fit is refused in words that say how much room there is.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from retune.carriers.heard import Analysis, StemAnalysis
from retune.rules.timing import END, START, Wish, beat_s
from retune.song.moved import has_beats

LEAST_S = 0.12
"""The shortest that a note may become: less holds no more than its attack and its release."""
BEFORE_NEXT_S = 0.06
"""What is left of a rest before the next note, for its consonant and a breath."""
SPARE = 0.3
"""What a wish may exceed its room by, in beats, and is cut to it: singers are never exact."""

Ends = dict[int, list[float]]
"""Note index to its start and end, seconds."""


def settle(
    stem: StemAnalysis, wishes: Sequence[Wish], analysis: Analysis
) -> tuple[list[Wish], list[tuple[Wish, str]]]:
    """The wishes of one stem that fit together, and those that do not, with why.

    The later of two that move the same end wins.
    """
    left, refused = _one_an_end(wishes)
    while True:
        fault = next(_faults(stem, _applied(stem, left), analysis), None)
        if fault is None:
            return left, refused
        culprit = _culprit(left, fault[0])
        others = [wish for wish in left if wish is not culprit]
        smaller = _shrunk(culprit, stem, others, analysis)
        if smaller is None:
            left = others
            refused.append((culprit, _no_room(culprit, stem, others, analysis, fault[1])))
        else:
            left[left.index(culprit)] = smaller


def _one_an_end(wishes: Sequence[Wish]) -> tuple[list[Wish], list[tuple[Wish, str]]]:
    left: list[Wish] = []
    refused: list[tuple[Wish, str]] = []
    for wish in wishes:
        for other in [o for o in left if o.ends.keys() & wish.ends.keys()]:
            left.remove(other)
            if other.rule != wish.rule:
                refused.append((other, f'"{wish.rule}" moves the same end, and the later wins'))
        left.append(wish)
    return left, refused


def _applied(stem: StemAnalysis, wishes: Sequence[Wish]) -> Ends:
    ends: Ends = {note.index: [note.start_s, note.end_s] for note in stem.notes}
    for wish in wishes:
        for (index, side), time_s in wish.ends.items():
            ends[index][side] = time_s
    return ends


def _faults(stem: StemAnalysis, ends: Ends, analysis: Analysis) -> Iterator[tuple[set[int], str]]:
    """The notes that do not fit, and what is in the way."""
    for note in stem.notes:
        start_s, end_s = ends[note.index]
        was = [note.start_s, note.end_s]
        least_s = min(LEAST_S, note.end_s - note.start_s)
        if [start_s, end_s] != was and end_s - start_s < least_s - 1e-6:
            yield {note.index}, f"{note.name} lasts {note.end_s - note.start_s:.2f} s"
        if end_s > analysis.duration_s + 1e-6 and end_s != note.end_s:
            yield {note.index}, f"the song ends at {analysis.duration_s:.2f} s"
        if start_s < 0:
            yield {note.index}, "the song begins there"
    for note, following in zip(stem.notes, stem.notes[1:], strict=False):
        gap_s = ends[following.index][START] - ends[note.index][END]
        least_s = min(BEFORE_NEXT_S, following.start_s - note.end_s)
        if gap_s < least_s - 1e-6:
            yield (
                {note.index, following.index},
                f"{following.name} begins at {ends[following.index][START]:.2f} s",
            )


def _culprit(wishes: Sequence[Wish], notes: set[int]) -> Wish:
    """The last wish that touches one of these notes."""
    return [w for w in wishes if any(index in notes for index, _ in w.ends)][-1]


def _shrunk(
    wish: Wish, stem: StemAnalysis, others: Sequence[Wish], analysis: Analysis
) -> Wish | None:
    """The wish cut to its room, where it exceeds it by no more than singers are inexact by."""
    if not wish.may_shrink:
        return None
    asked_s, room_s = _asked_s(wish, stem), room_of(wish, stem, others, analysis)
    spare_s = SPARE * beat_s(analysis, wish.note.start_s)
    if room_s < 0.5 * asked_s or asked_s - room_s > spare_s or room_s >= asked_s:
        return None
    return _scaled(wish, stem, room_s / asked_s)


def _asked_s(wish: Wish, stem: StemAnalysis) -> float:
    """By how much the wish moves an end."""
    return max(abs(to_s - _was(stem, key)) for key, to_s in wish.ends.items())


def _was(stem: StemAnalysis, key: tuple[int, int]) -> float:
    note = stem.note(key[0])
    return note.end_s if key[1] == END else note.start_s


def _scaled(wish: Wish, stem: StemAnalysis, share: float) -> Wish:
    ends = {
        key: _was(stem, key) + share * (to_s - _was(stem, key)) for key, to_s in wish.ends.items()
    }
    return Wish(wish.rule, wish.stem, wish.note, ends)


def room_of(wish: Wish, stem: StemAnalysis, others: Sequence[Wish], analysis: Analysis) -> float:
    """By how much, in seconds, the ends of a wish can move beside the other wishes."""
    low, high = 0.0, 1.0
    if any(_faults(stem, _applied(stem, others), analysis)):
        return 0.0
    for _ in range(30):
        share = 0.5 * (low + high)
        tried = _applied(stem, [*others, _scaled(wish, stem, share)])
        low, high = (low, share) if any(_faults(stem, tried, analysis)) else (share, high)
    room_s = low * _asked_s(wish, stem)
    return room_s if room_s > 5e-3 else 0.0


def _no_room(
    wish: Wish, stem: StemAnalysis, others: Sequence[Wish], analysis: Analysis, why: str
) -> str:
    room_s, asked_s = room_of(wish, stem, others, analysis), _asked_s(wish, stem)
    beats = ""
    if has_beats(analysis.bars):
        beats = f" ({room_s / beat_s(analysis, wish.note.start_s):.2g} beats)"
    room = f"room for {room_s:.2f} s{beats}" if room_s else "no room"
    return f"there is {room} where {asked_s:.2f} s are asked: {why}"


def times_of(stem: StemAnalysis, wishes: Sequence[Wish]) -> dict[int, tuple[float, float, str]]:
    """Note index to its new start and end and the rule that moves it, for notes that move."""
    ends = _applied(stem, wishes)
    rules = {index: wish.rule for wish in wishes for index, _ in wish.ends}
    return {
        index: (round(ends[index][START], 6), round(ends[index][END], 6), rule)
        for index, rule in sorted(rules.items())
    }
