"""How well one note came out of a mix, judged from the mix and the result alone.

Four figures are measured on the voice's own clock (see `retune.repitch.lift`); with the certainty
of the note they are weighed into two chances, that the edit is not clean and that it is unfit; the
word is the likeliest of the three, but for a note that is hardly heard. The truth they were fitted
to, on mixes made with it beside them, against the same move of the voice alone: an edit is clean
where the backing, where it rules, is off by 8 dB or more under itself (about what the move costs on
a stem alone) and the old pitch is at most 3 dB (twice) too loud; unfit above -4 dB or 6 dB, or
where another note was moved than the one sung. Nobody listened.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retune.carriers.changes import Edit, Verdict
from retune.carriers.heard import Samples
from retune.repitch.frames import HOPS, frames_of
from retune.repitch.lift import (
    CONTEXT_S,
    make_warp,
    mid_and_side,
    to_warped,
)
from retune.repitch.seam import FRAME_S, Passage
from retune.repitch.share import SHAPE, VOICE, Harmonics, harmonics

TOP_HZ = 5000.0
CLEAN, AUDIBLE, DO_NOT_USE = "clean", "audible if you listen for it", "do not use"
# A note less sure than the first is told to be doubtful; one no surer than the second is not to be
# moved, however well its harmonics come out: they may be the band's.
DOUBTFUL, HARDLY_HEARD = 0.5, 0.06
SHARED = 0.12  # of the old pitch: a harmonic this near one of the new pitch tells nothing


@dataclass(frozen=True)
class Weights:
    """Log odds: each figure in dB times its weight, `sure` times the note's certainty (0 to 1),
    and a constant."""

    clear: float
    lead: float
    left: float
    beside: float
    sure: float
    constant: float


# Fitted by tests/bench/bench_verdicts.py --fit 30.
NOT_CLEAN = Weights(-0.050, -0.013, -0.006, 0.027, -2.300, 0.291)
UNFIT = Weights(-0.030, -0.005, 0.040, 0.021, -3.657, 0.588)


@dataclass(frozen=True)
class Measured:
    """Figures of one edit, dB.

    clear  what was lifted over all else on the same harmonics
    lead   the same over all else in the mix up to `TOP_HZ`
    left   what remains at the old pitch, re what was there
    beside the voice at the sides, re the middle: how much room is around it
    """

    clear_db: float
    lead_db: float
    left_db: float
    beside_db: float

    def chances(self, *, sure: float) -> dict[str, float]:
        """How likely each word is the true one, for a note this `sure`."""
        unfit = _chance(self, UNFIT, sure)
        not_clean = max(_chance(self, NOT_CLEAN, sure), unfit)
        return {CLEAN: 1 - not_clean, AUDIBLE: not_clean - unfit, DO_NOT_USE: unfit}


def _chance(found: Measured, w: Weights, sure: float) -> float:
    odds = w.clear * found.clear_db + w.lead * found.lead_db + w.left * found.left_db
    odds += w.beside * found.beside_db + w.sure * sure + w.constant
    return float(1 / (1 + np.exp(-odds)))


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
    size = VOICE.periods * warp.period
    sounds = [mid_and_side(s[first:last].T.astype(np.float64)) for s in (passage.samples, moved)]
    spectra = [frames_of(to_warped(x, warp), size=size) for x in sounds]
    was, now = (harmonics(x, comb=VOICE, n_harmonics=n_harmonics) for x in spectra)
    n_frames = was.tooth.shape[1]
    middle = (np.arange(n_frames) * (size // HOPS)) - size / 2
    at_s = np.interp(middle, warp.phase, np.arange(first, last) / passage.rate_hz)
    here = (at_s >= start_s) & (at_s <= end_s) & (middle >= 0) & (middle <= warp.phase[-1])
    offset = np.interp(at_s, np.arange(len(passage.offset_cents)) * FRAME_S, passage.offset_cents)
    apart = np.arange(1, n_harmonics + 1) / 2.0 ** (offset[:, None] / 1200)
    alone = (np.abs(apart - np.round(apart)) > SHARED) & here[:, None]
    all_of_it = spectra[0][:, here][..., : VOICE.periods * (n_harmonics + 1)]
    return _measured(was, now, here, alone, float(np.sum(np.abs(all_of_it) ** 2)))


def _measured(
    was: Harmonics,
    now: Harmonics,
    here: NDArray[np.bool_],
    alone: NDArray[np.bool_],
    whole: float,
) -> Measured | None:
    if not alone.any():
        return None
    voice = float((was.share * was.power)[:, here].sum())
    rest = float(was.power[:, here].sum()) - voice
    lifted = float(np.sum(SHAPE**2)) * voice
    left, before = (float(h.power[:, alone].sum()) for h in (now, was))
    return Measured(_db(voice, rest), _db(lifted, whole - lifted), _db(left, before), was.beside_db)


def _db(power: float, of: float) -> float:
    return float(10 * np.log10(max(power, 1e-12) / max(of, 1e-12)))


def word_of(chances: dict[str, float], *, sure: float) -> str:
    """The likeliest word, for a note this `sure`."""
    return DO_NOT_USE if sure <= HARDLY_HEARD else max(chances, key=lambda name: chances[name])


def verdict(
    passage: Passage, moved: Samples, *, edit: Edit, first_s: float, sure: float = 1.0
) -> Verdict:
    """What to expect of one edit; the passage begins at `first_s`, `sure` is how certain the note
    itself is (a chord can stand on a wrong note's harmonics as clearly as a voice)."""
    found = measure(passage, moved, start_s=edit.start_s - first_s, end_s=edit.end_s - first_s)
    if found is None:
        return Verdict(edit.start_s, edit.end_s, DO_NOT_USE, "no pitch of the voice is heard here")
    chances = found.chances(sure=sure)
    word = word_of(chances, sure=sure)
    text = (
        f"voice {found.clear_db:.0f} dB over the rest on its harmonics, "
        f"old pitch {-found.left_db:.0f} dB down; {_out_of_ten(chances[CLEAN])} like it are clean"
    )
    if sure < DOUBTFUL:
        text = (
            f"the note itself is {'hardly heard' if sure <= HARDLY_HEARD else 'in doubt'}; {text}"
        )
    return Verdict(edit.start_s, edit.end_s, word, text)


def _out_of_ten(chance: float) -> str:
    n = round(10 * chance)
    return "hardly any" if n == 0 else "nearly all" if n == 10 else f"about {n} in 10"
