"""The pitch of one voice in a passage of a finished mix, finer than a tracker hears it there.

A tracker needs long windows to tell a voice from what sounds with it, and irons its vibrato flat.
Lifted out by its lower harmonics, which forgive a few cents, the voice stands nearly alone, and
its marks tell the pitch period by period; with that it is lifted again, higher up.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from retune.carriers.heard import FloatArray, Note, PitchTrack, Samples
from retune.repitch.lift import lift_voiced
from retune.repitch.pitch import guide, onto_frames, refine, unslip
from retune.repitch.seam import FRAME_S

ROUNDS_HZ = (1500.0, 3000.0)
MOST_CENTS = 90.0
BRIDGE_S = 0.08


def mix_pitch(
    samples: Samples, *, rate_hz: int, start_s: float, track: PitchTrack, notes: tuple[Note, ...]
) -> FloatArray:
    """f0 every `FRAME_S` from `start_s` on over `samples`, NaN where the voice is silent."""
    n_frames = int(samples.shape[0] / (FRAME_S * rate_hz)) + 2
    time_s = start_s + np.arange(n_frames, dtype=np.float64) * FRAME_S
    cleaned = unslip(track.f0_hz, time_s=track.time_s, notes=notes)
    rough = _bridged(onto_frames(track, cleaned, time_s))
    f0_hz = rough
    x = np.asarray(samples.T, dtype=np.float64)
    for top_hz in ROUNDS_HZ:
        voice = lift_voiced(x, f0_hz, rate_hz=rate_hz, top_hz=top_hz)
        found = refine(guide(voice.T.astype(np.float32)), f0_hz, rate_hz=rate_hz)
        away = np.abs(1200 * np.log2(found / rough))
        f0_hz = np.where(away < MOST_CENTS, found, rough)
    return np.asarray(f0_hz)


def _bridged(f0_hz: FloatArray) -> FloatArray:
    """Short holes filled along a straight line in pitch."""
    fixed = np.array(f0_hz)
    known = np.flatnonzero(np.isfinite(fixed))
    if len(known) < 2:
        return fixed
    for a, b in pairwise(known):
        if 1 < b - a <= BRIDGE_S / FRAME_S and abs(np.log2(fixed[b] / fixed[a])) < 0.5:
            fixed[a : b + 1] = np.geomspace(fixed[a], fixed[b], b - a + 1)
    return fixed
