"""How well one note came out of a mix, judged from the mix and the result alone.

Two things are measured on the voice's own clock (see `retune.repitch.lift`), at the harmonics of
the old pitch that the new pitch does not share: how far the voice stood above what lies between
its harmonics (`clear_db`; the less, the more of the backing moves along), and how much of it is
left (`ghost_db`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retune.core.carriers import Edit, FloatArray, Samples, Verdict
from retune.repitch.lift import (
    CONTEXT_S,
    HOPS,
    PERIODS,
    backing_power,
    frames_of,
    make_warp,
    mid_and_side,
    teeth_and_valleys,
    to_warped,
)
from retune.repitch.seam import FRAME_S, Passage

TOP_HZ = 5000.0
CLEAN, AUDIBLE, DO_NOT_USE = "clean", "audible if you listen for it", "do not use"
# Over mixes made with the truth beside them (tests/bench/bench_mix.py), the error of the lift lies
# about .8 dB further under the voice for each dB of `clear_db`: 7 dB and 1 dB under it here.
CLEAN_FROM_DB, NO_USE_BELOW_DB = 11.0, 3.5
DOUBTFUL = 0.5
SHARED = 0.12  # of the old pitch: a harmonic this near one of the new pitch tells nothing


@dataclass(frozen=True)
class Measured:
    """`clear_db`: the voice over what lies between its harmonics; `ghost_db`: what is left of it
    at the old pitch, re what was there; `taken_db`: the backing that moves along, re the voice."""

    clear_db: float
    ghost_db: float
    taken_db: float


def measure(passage: Passage, moved: Samples, *, start_s: float, end_s: float) -> Measured | None:
    """One edit, its times counted from the start of the passage; None where it has no pitch."""
    frame = FRAME_S * passage.rate_hz
    a, b = max(int(start_s / FRAME_S), 0), min(int(end_s / FRAME_S) + 1, len(passage.f0_hz))
    inside = np.arange(a, b)[np.isfinite(passage.f0_hz[a:b])]
    if len(inside) < 8:
        return None
    reach = CONTEXT_S / 2
    first = max(int((inside[0] * FRAME_S - reach) * passage.rate_hz), 0)
    last = min(int((inside[-1] * FRAME_S + reach) * passage.rate_hz), len(passage.samples))
    place = np.clip(np.arange(first, last) / frame, inside[0], inside[-1])
    hz = np.exp(np.interp(place, inside, np.log(passage.f0_hz[inside])))
    warp = make_warp(hz, rate_hz=passage.rate_hz)
    n_harmonics = int(np.clip(TOP_HZ / float(hz.max()), 1, warp.period // 2 - 1))
    size = PERIODS * warp.period
    sounds = [mid_and_side(s[first:last].T.astype(np.float64)) for s in (passage.samples, moved)]
    powers = [
        teeth_and_valleys(frames_of(to_warped(x, warp), size=size), n_harmonics=n_harmonics)
        for x in sounds
    ]
    n_frames = powers[0][0].shape[1]
    middle = (np.arange(n_frames) * (size // HOPS)) - size / 2
    at_s = np.interp(middle, warp.phase, np.arange(first, last) / passage.rate_hz)
    here = (at_s >= start_s) & (at_s <= end_s) & (middle >= 0) & (middle <= warp.phase[-1])
    offset = np.interp(at_s, np.arange(len(passage.offset_cents)) * FRAME_S, passage.offset_cents)
    apart = np.arange(1, n_harmonics + 1) / 2.0 ** (offset[:, None] / 1200)
    alone = (np.abs(apart - np.round(apart)) > SHARED) & here[:, None]
    return _measured(powers[0], powers[1], here, alone)


def _measured(
    was: tuple[FloatArray, FloatArray],
    now: tuple[FloatArray, FloatArray],
    here: NDArray[np.bool_],
    alone: NDArray[np.bool_],
) -> Measured | None:
    if not alone.any():
        return None
    tooth, backing = was[0], np.minimum(backing_power(*was), was[0])
    share = 1 - backing / np.maximum(tooth, 1e-20)
    voice = (tooth - backing)[:, here].sum()
    taken = (share**2 * backing)[:, here].sum()
    left = np.maximum(now[0] - np.minimum(backing_power(*now), now[0]), 0.0)[:, alone].sum()
    before = (tooth - backing)[:, alone].sum()
    return Measured(_db(voice, backing[:, here].sum()), _db(left, before), _db(taken, voice))


def _db(power: float, of: float) -> float:
    return float(10 * np.log10(max(power, 1e-12) / max(of, 1e-12)))


def verdict(
    passage: Passage, moved: Samples, *, edit: Edit, first_s: float, confidence: float = 1.0
) -> Verdict:
    """What to expect of one edit; the passage begins at `first_s`, `confidence` is how sure the
    note itself is (a chord can stand on a wrong note's harmonics as clearly as a voice)."""
    found = measure(passage, moved, start_s=edit.start_s - first_s, end_s=edit.end_s - first_s)
    if found is None:
        return Verdict(edit.start_s, edit.end_s, DO_NOT_USE, "no pitch of the voice is heard here")
    word = AUDIBLE
    if found.clear_db < NO_USE_BELOW_DB or confidence < DOUBTFUL:
        word = DO_NOT_USE
    elif found.clear_db >= CLEAN_FROM_DB:
        word = CLEAN
    text = (
        f"the voice stands {found.clear_db:.0f} dB over the rest on its harmonics, "
        f"{-found.ghost_db:.0f} dB of the old note are gone"
    )
    if confidence < DOUBTFUL:
        text += "; the note itself is doubtful"
    return Verdict(edit.start_s, edit.end_s, word, text)
