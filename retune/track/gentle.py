"""A second, gentler look where a voice is loud and no pitch was found: a breathy phrase.

The thresholds of pYIN are a prior on how periodic a voice is; with more of it on hoarse and breathy
sounds (a beta distribution with mean .29, not .1) it hears through noise as strong as the voice. It
still takes no noise alone for a voice, so only what was missed is asked again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import numpy as np

from retune.carriers.heard import AudioLike, FloatArray, PitchTrack
from retune.sound.parts import Cut

GENTLE_BETA = (2.0, 5.0)
# A stretch is asked again from this length on: no consonant and hardly a breath lasts so long.
LONG_S = 0.8
# Loud is what lies at most so far below the loud end of the stem; rests shorter than BRIDGE_S
# between words do not end a stretch.
BELOW_DB, BRIDGE_S, BESIDE_S = 20.0, 0.25, 0.3
SILENT_DB = -60.0


def loud_stretches(
    level_db: FloatArray, is_missing: np.ndarray, *, hop_s: float
) -> list[tuple[int, int]]:
    """Frames [start, stop) of every stretch that is loud and where something is missing.

    Parameters
    ----------
    level_db : ndarray, shape (n,)
        Level of each frame re full scale.
    is_missing : ndarray of bool, shape (n,)
        Frames in which nothing was found.
    """
    heard = level_db[level_db > SILENT_DB]
    if not len(heard) or not is_missing.any():
        return []
    is_loud = level_db > max(float(np.percentile(heard, 90)) - BELOW_DB, SILENT_DB)
    at = np.flatnonzero(is_loud & is_missing)
    if not len(at):
        return []
    found = ~is_missing
    cuts = [
        k for k, (a, b) in enumerate(pairwise(at)) if (b - a) * hop_s > BRIDGE_S or found[a:b].any()
    ]
    firsts = [int(at[0]), *(int(at[k + 1]) for k in cuts)]
    stops = [*(int(at[k]) + 1 for k in cuts), int(at[-1]) + 1]
    return [(a, b) for a, b in zip(firsts, stops, strict=True) if (b - a) * hop_s >= LONG_S]


def heard_gently(
    audio: AudioLike, track: PitchTrack, *, again: Callable[[AudioLike], PitchTrack], hop_s: float
) -> PitchTrack:
    """`track` with pitch where it had none and the sound is loud, as the gentler tracker `again`
    hears it; its odds are its own, which are low."""
    stretches = loud_stretches(track.energy_db, ~np.isfinite(track.f0_hz), hop_s=hop_s)
    if not stretches:
        return track
    f0_hz, prob = np.array(track.f0_hz), np.array(track.voiced_prob)
    beside = round(BESIDE_S / hop_s)
    for a, b in stretches:
        first, last = max(a - beside, 0), min(b + beside, len(f0_hz))
        samples = (round(at * hop_s * audio.rate_hz) for at in (first, last))
        part = again(Cut(audio, *samples))
        n = min(len(part.f0_hz), last - first)
        own = slice(first, first + n)
        inside = np.arange(first, first + n)
        taken = (inside >= a) & (inside < b) & np.isnan(f0_hz[own]) & np.isfinite(part.f0_hz[:n])
        f0_hz[own] = np.where(taken, part.f0_hz[:n], f0_hz[own])
        prob[own] = np.where(taken, part.voiced_prob[:n], prob[own])
    return replace(track, f0_hz=f0_hz, voiced_prob=prob)
