"""How well one note came out of a mix, judged from the mix and the result alone.

Four figures are measured on the voice's own clock (see `retune.repitch.lift`) and weighed into
the log odds that the edit is not clean. The truth they were fitted to, on mixes made with it
beside them, against the same move of the voice alone: an edit is clean where the backing, where
it rules, is off by 8 dB or more under itself (about what the move costs on a stem alone) and the
old pitch is at most 3 dB (twice) too loud; unfit above -4 dB or 6 dB. Nobody listened.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retune.core.carriers import Samples
from retune.core.changes import Edit, Verdict
from retune.repitch.lift import (
    CONTEXT_S,
    frames_of,
    make_warp,
    mid_and_side,
    to_warped,
)
from retune.repitch.seam import FRAME_S, Passage
from retune.repitch.share import HOPS, SHAPE, VOICE, Harmonics, harmonics

TOP_HZ = 5000.0
CLEAN, AUDIBLE, DO_NOT_USE = "clean", "audible if you listen for it", "do not use"
# Of clear, lead, left, beside, and a constant.
WEIGHTS, CONSTANT = (-0.255, 0.222, -0.054, 0.166), 2.738
CLEAN_BELOW, NO_USE_ABOVE = -1.5, 0.5  # below the first, 1 in 20 was not clean
# A note less sure than this is not to be moved; nor one less sure than UNSURE as faint as FAINT_DB:
# what was lifted may be a chord.
DOUBTFUL, UNSURE, FAINT_DB = 0.15, 0.5, -8.0
# One that a person gave may be unsure, but less than this there is next to nothing to move.
HARDLY_HEARD = 0.05
# Where more than this is left at the old pitch no edit of a note found without a guide is clean,
# whatever the fit makes of it: in the hush after a song all figures but this one look well. By
# choice: half the power. With a guide it is the band that plays the old pitch too (of 84 such edits
# 3 were not clean).
STILL_THERE_DB = -3.0
SHARED = 0.12  # of the old pitch: a harmonic this near one of the new pitch tells nothing


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

    @property
    def risk(self) -> float:
        """Log odds that the edit is not clean."""
        figures = (self.clear_db, self.lead_db, self.left_db, self.beside_db)
        return CONSTANT + sum(w * x for w, x in zip(WEIGHTS, figures, strict=True))


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


def word_of(found: Measured, *, confidence: float, guided: bool = False) -> tuple[str, bool]:
    """The word for an edit's figures, and whether the note itself is doubtful. A note that a
    person gave may be faint, but it is no chord taken for a voice."""
    is_faint = found.lead_db < FAINT_DB and not guided
    doubtful = confidence < (UNSURE if is_faint else DOUBTFUL)
    unusable = confidence < HARDLY_HEARD if guided else doubtful
    if unusable or found.risk > NO_USE_ABOVE:
        return DO_NOT_USE, doubtful
    still_there = found.left_db >= STILL_THERE_DB and not guided
    is_clean = found.risk < CLEAN_BELOW and not doubtful and not still_there
    return CLEAN if is_clean else AUDIBLE, doubtful


def verdict(
    passage: Passage,
    moved: Samples,
    *,
    edit: Edit,
    first_s: float,
    confidence: float = 1.0,
    guided: bool = False,
) -> Verdict:
    """What to expect of one edit; the passage begins at `first_s`, `confidence` is how sure the
    note itself is (a chord can stand on a wrong note's harmonics as clearly as a voice), `guided`
    whether a person gave it."""
    found = measure(passage, moved, start_s=edit.start_s - first_s, end_s=edit.end_s - first_s)
    if found is None:
        return Verdict(edit.start_s, edit.end_s, DO_NOT_USE, "no pitch of the voice is heard here")
    word, doubtful = word_of(found, confidence=confidence, guided=guided)
    text = (
        f"voice {found.clear_db:.0f} dB over the rest on its harmonics, "
        f"old pitch {-found.left_db:.0f} dB down"
    )
    if doubtful:
        text += "; the note itself is doubtful"
    return Verdict(edit.start_s, edit.end_s, word, text)
