"""Engine `psola`: pitch-synchronous overlap-add in the time domain, our own.

Grains of two periods, one a mark, are laid out anew at the wanted distance (Moulines &
Charpentier 1990, "Pitch-synchronous waveform processing techniques for text-to-speech
synthesis using diphones"), so the spectral envelope, and with it the vowel, stays. What is our
own: marks and distances are fractions of a sample; where the offset is 0 the grains fall back
into place and give the original exactly; a run that is voiced on both sides of the edit is
brought back into phase by the smallest change of offset, most of it inside the glides; what is
unvoiced is copied.
"""

from __future__ import annotations

import math

import numpy as np

from retune.carriers.heard import FloatArray, Samples
from retune.repitch.epochs import epochs_of
from retune.repitch.grains import (
    FULL_AT_CENTS,
    REACH,
    add_grains,
    cut_grains,
    grain_size,
    half_lengths,
    shape_grains,
)
from retune.repitch.pitch import runs_of
from retune.repitch.seam import FRAME_S, Passage

STILL_CENTS = 1e-6
BLOCK = 32  # grains made at a time: the memory of a few is used again and again
LEVEL_S, MAX_LEVEL_DB, FREE_DB = 0.4, 4.0, 0.4
CORE_CENTS, CORE_SHARE = 0.8, 0.05
# Once out and back harms less than a move that stays, which must guess the spectrum between its
# harmonics; twice is about even, but too much where a far move up leaves few harmonics to compare.
FAR_UP_CENTS = 500.0


def _clear(out: FloatArray, first: float, last: float, lead: float, tail: float) -> None:
    """Fade `out` to nothing from `first` to `last`, over `lead` before and `tail` after them."""
    begin, end = max(math.ceil(first - lead), 0), min(math.floor(last + tail) + 1, out.shape[1])
    n = np.arange(begin, end)
    away = np.maximum((first - n) / lead, np.maximum((n - last) / tail, 0.0))
    out[:, begin:end] *= 0.5 - 0.5 * np.cos(np.pi * away)


def level_gain(old: FloatArray, new: FloatArray, *, at: FloatArray, rate_hz: int) -> FloatArray:
    """Factor at each place that brings `new` within FREE_DB of the level of `old`. So much is left
    free because a voice, too, is a little louder or softer where a harmonic meets a formant."""
    half = LEVEL_S * rate_hz / 2
    a = np.clip(np.round(at - half).astype(np.int64), 0, old.shape[1])
    b = np.clip(np.round(at + half).astype(np.int64), 0, old.shape[1])
    sums = [np.append(0.0, np.cumsum(np.sum(sound**2, axis=0))) for sound in (old, new)]
    was, now = (total[b] - total[a] + 1e-12 for total in sums)
    missing_db = np.clip(10 * np.log10(was / now), -MAX_LEVEL_DB, MAX_LEVEL_DB)
    beyond = missing_db - np.clip(missing_db, -FREE_DB, FREE_DB)
    return np.asarray(10 ** (beyond / 20))


def _lay_out(
    out: FloatArray,
    x: FloatArray,
    marks: FloatArray,
    targets: FloatArray,
    sources: FloatArray,
    rate_hz: int,
    formant_cents: FloatArray,
) -> None:
    """Replace the run that `marks` cover by grains at `targets`; `sources` are fractional
    indices into `marks`. Formants move by `formant_cents` at each mark."""
    before, after = half_lengths(marks)
    sources = np.clip(sources, 0.0, len(marks) - 1.0)
    gap = np.diff(targets)
    around = np.append(before[0], gap) + np.append(gap, after[-1])
    gain = np.sqrt(around / np.interp(sources, np.arange(len(marks)), before + after))
    cents = -2400 * np.log2(gain)
    moves = np.abs(cents) > STILL_CENTS
    along = np.interp(sources, np.arange(len(marks)), formant_cents) * moves
    formants = 2.0 ** (along / 1200)
    # Where formants move, the new harmonics lie on the old ones, or nearer to them.
    filled = np.minimum(np.abs(cents - along) / FULL_AT_CENTS, 1.0) * moves
    gain *= np.sqrt(formants)
    lead, tail = before[0], after[-1]
    first = max(math.floor(targets[0] - lead), 0)
    last = min(math.ceil(targets[-1] + tail) + 1, out.shape[1])
    new = np.zeros((x.shape[0], last - first))
    size = grain_size(before, after, stretched=float((1 / formants).max()))
    for begin in range(0, len(targets), BLOCK):
        now = slice(begin, begin + BLOCK)
        low = max(int(sources[now][0]) - REACH, 0)
        near = slice(low, int(sources[now][-1]) + 2 + REACH)
        grains = cut_grains(x, marks[near], before=before[near], after=after[near], size=size)
        whole = np.floor(targets[now]).astype(np.int64)
        made = shape_grains(
            grains,
            rate_hz=rate_hz,
            sources=sources[now] - low,
            amount=filled[now],
            gain=gain[now],
            delay=targets[now] - whole,
            ratio=2.0 ** ((cents - along)[now] / 1200),
            formants=formants[now],
        )
        add_grains(new, made, whole - first)
    _clear(out, targets[0], targets[-1], lead, tail)
    old, rest = x[:, first:last], out[:, first:last]
    level = level_gain(old, rest + new, at=targets - first, rate_hz=rate_hz)
    level = 1 + np.minimum(np.abs(cents) / FULL_AT_CENTS, 1.0) * moves * (level - 1)
    rest += new * np.interp(np.arange(last - first), targets - first, level)


def _busy(marks: FloatArray, cents: FloatArray) -> slice:
    """The marks about periods that move, with three more on each side."""
    moved = np.flatnonzero(np.abs(cents) > STILL_CENTS)
    return slice(max(int(moved[0]) - 3, 0), min(int(moved[-1]) + 5, len(marks)))


def cycle_offsets(marks: FloatArray, offset_cents: FloatArray, frame: float) -> FloatArray:
    """The offset of each period between marks, cents."""
    middle = 0.5 * (marks[1:] + marks[:-1]) / frame
    return np.asarray(np.interp(middle, np.arange(len(offset_cents)), offset_cents))


def lock_phase(marks_s: FloatArray, cents: FloatArray) -> FloatArray:
    """`cents` a period, changed as little as possible so that the periods add up to a whole.

    All that moves takes its equal share, as long as that is too little to be noticed; what is
    left falls to the glides, where the pitch is under way. Nothing changes where the offset is 0.
    """
    ratio = 2.0 ** (cents / 1200)
    missing = np.round(ratio.sum()) - ratio.sum()
    size = float(np.abs(cents).max())
    moves = np.abs(cents) > STILL_CENTS
    under_way = np.abs(np.gradient(cents) / np.diff(marks_s)) * moves
    per_cent = ratio * (math.log(2) / 1200)
    everywhere, in_glides = np.sum(per_cent * moves), np.sum(per_cent * under_way)
    if in_glides <= 0:
        return np.asarray(cents + moves * (missing / everywhere))
    most = min(CORE_CENTS, CORE_SHARE * size)
    share = float(np.clip(missing / everywhere, -most, most))
    rest = (missing - share * everywhere) / in_glides
    return np.asarray(cents + moves * share + under_way * rest)


def targets_of(
    marks: FloatArray, cents: FloatArray, *, from_end: bool
) -> tuple[FloatArray, FloatArray]:
    """Where the new marks lie (samples) and which place in `marks` each comes from."""
    phase = np.concatenate([[0.0], np.cumsum(2.0 ** (cents / 1200))])
    if from_end:
        phase -= phase[-1]
    wanted = np.arange(math.ceil(phase[0] - 1e-7), math.floor(phase[-1] + 1e-7) + 1)
    sources = np.interp(wanted, phase, np.arange(len(marks), dtype=np.float64))
    near = np.round(sources)
    sources = np.where(np.abs(sources - near) < 1e-6, near, sources)
    targets = np.interp(sources, np.arange(len(marks), dtype=np.float64), marks)
    return targets, sources


def _shift_run(out: FloatArray, x: FloatArray, marks: FloatArray, passage: Passage) -> None:
    """Move one voiced run of `x` and put it into `out`."""
    cents = cycle_offsets(marks, passage.offset_cents, FRAME_S * passage.rate_hz)
    if np.all(np.abs(cents) <= STILL_CENTS):
        return
    busy = _busy(marks, cents)
    marks, cents = marks[busy], cents[busy.start : busy.stop - 1]
    still = np.abs(cents) <= STILL_CENTS
    if still[0] and still[-1]:
        cents = lock_phase(marks / passage.rate_hz, cents)
    targets, sources = targets_of(marks, cents, from_end=bool(still[-1]))
    if len(targets) > 1:
        formants = np.zeros(len(marks))
        if passage.formant_cents is not None:
            place = marks / (FRAME_S * passage.rate_hz)
            formants = np.interp(
                place, np.arange(len(passage.formant_cents)), passage.formant_cents
            )
        _lay_out(out, x, marks, targets, sources, passage.rate_hz, formants)


class Psola:
    """The engine that moves one voice by overlapping grains of its periods."""

    name = "psola"
    about = "pitch-synchronous overlap-add; one voice, vowels and consonants kept"
    context_s = 0.1
    exact = True
    follows = True
    needs_pitch = True
    judge = None

    def round_trips(self, cents: float) -> int:
        return 1 if cents > FAR_UP_CENTS else 2

    def shift(self, passage: Passage) -> Samples:
        x = np.ascontiguousarray(passage.samples.T, dtype=np.float64)
        out = x.copy()
        for run in runs_of(passage):
            marks = epochs_of(run.marks, rate_hz=passage.rate_hz, start=run.start, stop=run.stop)
            if len(marks) >= 3:
                _shift_run(out, x, marks, passage)
        return np.ascontiguousarray(out.T, dtype=np.float32)


ENGINE = Psola()
