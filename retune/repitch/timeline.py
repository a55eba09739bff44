"""Moves in time as pieces of sound: what is copied whole, what is sung longer, what is silent.

Around each moved end the sound goes with its note: an attack and the consonant before it with the
beginning, a release with the end. Between two notes that move alike the gap goes whole; where it
grows, quiet is put in at its quietest place; where it shrinks, the two sides are joined there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retune.carriers.changes import Edit
from retune.carriers.heard import FloatArray, Note

JOIN_S = 0.075
FADE_S = 0.02
LEAD_S = 0.25
"""How far before a note its consonant is looked for."""
BEYOND_DB = 12.0
"""By so much quieter must a place beyond JOIN_S be, to be taken: a consonant is cut else."""
QUIET_S = 0.01
SHORTEST_FADE_S, RELEASE_S = 0.004, 0.03
Places = NDArray[np.int64]


@dataclass(frozen=True)
class Moved:
    """A note in samples from the start of the passage: where it lies and where it goes."""

    start: int
    stop: int
    to_start: int
    to_stop: int

    @property
    def head(self) -> int:
        """By how much the beginning moves."""
        return self.to_start - self.start

    @property
    def tail(self) -> int:
        """By how much the end moves."""
        return self.to_stop - self.stop


@dataclass(frozen=True)
class Copy:
    """The source from `start` to `stop`, samples, `shift` later, faded over `fade_in` and
    `fade_out` samples about its ends (0 for none)."""

    start: float
    stop: float
    shift: int
    fade_in: float = 0.0
    fade_out: float = 0.0


@dataclass(frozen=True)
class Fill:
    """Quiet from `start` to `stop` of the result, faded as the copies beside it."""

    start: int
    stop: int
    fade_in: float
    fade_out: float


@dataclass(frozen=True)
class Sung:
    """A note between two copies: its vowel takes up what the ends' moves leave."""

    note: Moved


Piece = Copy | Fill | Sung


def moved_notes(
    notes: Sequence[Note], edits: Sequence[Edit], *, rate_hz: int, first: int
) -> list[Moved]:
    """The notes of a passage and where the edits put them, after the passage's own beginning."""
    by_note = {edit.note: edit for edit in edits}
    found = [Moved(0, 0, 0, 0)]
    for note in notes:
        edit = by_note.get(note.index)
        ends = note.start_s, note.end_s
        to = ends if edit is None else edit.span_after
        start, stop, to_start, to_stop = (round(t * rate_hz) - first for t in (*ends, *to))
        found.append(Moved(start, stop, to_start, to_stop))
    return found


def pieces(
    notes: Sequence[Moved], level_db: FloatArray, *, rate_hz: int, n_samples: int
) -> list[Piece]:
    """The result piece by piece, from notes in order, the first and last of which stay.

    `level_db` is the level about each sample, every QUIET_S.
    """
    look = _Look(level_db, rate_hz, n_samples)
    found: list[Piece] = []
    begun, shift, fade_in = 0, 0, 0.0
    for k, note in enumerate(notes):
        if note.head != note.tail:
            found.append(Copy(begun, note.start, shift, fade_in))
            found.append(Sung(note))
            begun, shift, fade_in = note.stop, note.tail, 0.0
        following = notes[k + 1] if k + 1 < len(notes) else None
        goes_to = following.head if following else 0
        if goes_to == shift:
            continue
        cut = look.cut(note, following, shift, goes_to)
        found.append(Copy(begun, cut.stop, shift, fade_in, cut.fade_out))
        if cut.start + goes_to > cut.stop + shift:
            found.append(Fill(cut.stop + shift, cut.start + goes_to, cut.fade_out, cut.fade_in))
        begun, shift, fade_in = cut.start, goes_to, cut.fade_in
    found.append(Copy(begun, n_samples, shift, fade_in))
    return found


@dataclass(frozen=True)
class Cut:
    """Where, in the source, the copy of what is before a change of shift stops and that of what
    is after it starts, and the samples that each is faded over."""

    stop: int
    start: int
    fade_out: float
    fade_in: float


@dataclass(frozen=True, eq=False)
class _Look:
    """Where the gaps between notes are quietest."""

    level_db: FloatArray
    rate_hz: int
    n_samples: int

    def _n(self, seconds: float) -> int:
        return round(seconds * self.rate_hz)

    def _level(self, at: Places) -> FloatArray:
        places = np.clip(at / self._n(QUIET_S), 0, len(self.level_db) - 1)
        return np.asarray(np.interp(places, np.arange(len(self.level_db)), self.level_db))

    def cut(self, note: Moved, following: Moved | None, shift: int, goes_to: int) -> Cut:
        """The cut between a note and what follows it, which moves by `goes_to`."""
        next_start = following.start if following else self.n_samples
        fade = max(min(self._n(FADE_S), (next_start - note.stop) // 2), self._n(SHORTEST_FADE_S))
        if goes_to > shift:
            low, high = self._bounds(note, following, goes_to)
            at = self._quietest(low, max(high, low), near=(low if shift else high))
            return Cut(at, at, max(fade, self._n(RELEASE_S)) if shift else fade, fade)
        # The gap shrinks: one place of the result, where both sides are quiet.
        first = note.stop + shift
        last = next_start + goes_to
        places = np.arange(first, max(last, first) + 1, max(self._n(0.002), 1))
        apart = self._penalty(places, shift, goes_to)
        loud = np.logaddexp(
            self._level(places - shift) * 0.23, self._level(places - goes_to) * 0.23
        )
        place = int(places[np.argmin(loud / 0.23 + apart)])
        return Cut(place - shift, place - goes_to, fade, fade)

    def _bounds(self, note: Moved, following: Moved | None, goes_to: int) -> tuple[int, int]:
        """From where to where, in the source, the cut of a growing gap may lie."""
        reach = self._n(JOIN_S - FADE_S / 2)
        if following is None or goes_to == 0:
            room = self._n(JOIN_S) if following is None else following.start - note.stop
            return note.stop, note.stop + max(min(reach, room), 0)
        lead = min(self._n(LEAD_S), (following.start - note.stop))
        return following.start - max(lead, 0), following.start

    def _quietest(self, low: int, high: int, *, near: int) -> int:
        """The quietest place, those within JOIN_S of `near` preferred."""
        places = np.arange(low, high + 1, max(self._n(0.002), 1))
        away = np.abs(places - near) > self._n(JOIN_S - FADE_S / 2)
        return int(places[np.argmin(self._level(places) + BEYOND_DB * away)])

    def _penalty(self, places: Places, shift: int, goes_to: int) -> FloatArray:
        """What a place of the result costs that lies further than JOIN_S from what moves."""
        reach = self._n(JOIN_S - FADE_S / 2)
        if goes_to == 0:
            return np.where(places > places[0] + reach, 1e3, 0.0)
        if shift == 0:
            return np.where(places < places[-1] - reach, BEYOND_DB, 0.0)
        return np.zeros(len(places))
