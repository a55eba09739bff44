"""How long a note sounds on after its end, at its own pitch, while nobody sings.

A room keeps a note's pitch after the singer has let it go. Where no other note follows at once,
what sounds on falls back to the old pitch, unless the rule moves the note with its tail. A dry
voice leaves nothing, nor does noise: it does not repeat itself with the period of the note.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from retune.carriers.changes import Edit
from retune.carriers.heard import AudioLike, FloatArray, Note, StemAnalysis
from retune.repitch.epochs import likeness, thinned
from retune.repitch.pitch import PERIODIC_HZ, guide
from retune.repitch.seam import FRAME_S
from retune.song.moved import ADJACENT_S

# Shorter than what parts two pieces of a plan that are rendered alone (pipeline/pieces.py).
LONGEST_S = 0.9
# The last of a note, whose middle period the tail is looked for with.
LAST_S, SAME_CENTS = 0.1, 80.0
# A tail repeats itself so well; it ends where it does not for so long.
ALIKE, HOLE_S = 0.4, 0.04
# Most of what is shorter is the voice's own release, and lies in the 75 ms that may change anyway.
SHORTEST_S = 0.12


@dataclass(frozen=True)
class Tail:
    """A note's tail: seconds from when to when, and its pitch."""

    start_s: float
    stop_s: float
    f0_hz: float


def find_tails(edits: Sequence[Edit], *, audio: AudioLike, stem: StemAnalysis) -> dict[int, Tail]:
    """The tails that edits move, by index of the note; notes that have none, or that move in time,
    are left out."""
    moved = {e.note for e in edits if e.tail and e.bends and not e.moves_in_time}
    if stem.track is None:
        return {}
    found = {}
    for k, note in enumerate(stem.notes):
        if note.index not in moved:
            continue
        following = stem.notes[k + 1].start_s if k + 1 < len(stem.notes) else np.inf
        tail = _tail(note, following, audio, stem)
        if tail is not None:
            found[note.index] = tail
    return found


def _tail(note: Note, following_s: float, audio: AudioLike, stem: StemAnalysis) -> Tail | None:
    duration_s = audio.n_samples / audio.rate_hz
    last_s = min(note.end_s + LONGEST_S, following_s - ADJACENT_S - 0.01, duration_s)
    f0_hz = _last_pitch(note, stem)
    if last_s - note.end_s <= SHORTEST_S or not np.isfinite(f0_hz):
        return None
    first = max(round((note.end_s - LAST_S) * audio.rate_hz), 0)
    samples = audio.read(first, round(last_s * audio.rate_hz))
    x, stride = thinned(guide(samples), rate_hz=audio.rate_hz, to_hz=PERIODIC_HZ)
    rate_hz = audio.rate_hz / stride
    stop_s = note.end_s
    for at_s in np.arange(note.end_s, last_s, 2 * FRAME_S):
        at = (at_s - first / audio.rate_hz) * rate_hz
        if likeness(x, at, rate_hz / f0_hz) >= ALIKE:
            stop_s = float(at_s)
        elif at_s - stop_s > HOLE_S:
            break
    return Tail(note.end_s, stop_s, f0_hz) if stop_s - note.end_s > SHORTEST_S else None


def _last_pitch(note: Note, stem: StemAnalysis) -> float:
    assert stem.track is not None
    time_s = stem.track.time_s
    a, b = np.searchsorted(time_s, [max(note.end_s - LAST_S, note.start_s), note.end_s])
    f0_hz = stem.track.f0_hz[a:b]
    f0_hz = f0_hz[np.isfinite(f0_hz)]
    return float(np.median(f0_hz)) if len(f0_hz) else float("nan")


def with_tails(notes: Sequence[Note], tails: Mapping[int, Tail]) -> tuple[Note, ...]:
    """Notes that end where their tails do."""
    return tuple(replace(n, end_s=tails[n.index].stop_s) if n.index in tails else n for n in notes)


def sounding_on(f0_hz: FloatArray, tails: Sequence[Tail], *, first_s: float) -> FloatArray:
    """f0 every FRAME_S from `first_s` on, with the pitch of each tail where it has none or
    another."""
    found = np.array(f0_hz)
    for tail in tails:
        a, b = (max(round((at_s - first_s) / FRAME_S), 0) for at_s in (tail.start_s, tail.stop_s))
        part = found[a:b]
        with np.errstate(invalid="ignore"):
            same = np.abs(1200 * np.log2(part / tail.f0_hz)) <= SAME_CENTS
        found[a:b] = np.where(same, part, tail.f0_hz)
    return found
