"""Compiled: the most probable sequence of notes under a pitch line.

Each pitch of a grid of thirds of a semitone has three states: attack, stable, silent (after
Ryynanen & Klapuri 2004, "Modelling of note events for singing transcription", from memory). A
note starts in its attack, at a pitch near the one heard, with a prior on the distance from the
note before; it may be left for its silent state, or straight for the attack of another pitch.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retune.carriers.heard import FloatArray
from retune.sound.compiled import compiled

PER_SEMITONE = 3
ATTACK, STABLE, SILENT = 0, 1, 2
# Log scores below are meant for frames this far apart, and scaled for others.
MODEL_HOP_S = 0.0116


@dataclass(frozen=True)
class HmmSettings:
    """Log scores and widths (semitones) of the model.

    `entry_log` starting a note out of silence, `legato_log` straight from another, `leave_log`
    ending one; `reach` is how far from the heard pitch an attack may lie.
    """

    attack_width: float = 1.0
    stable_width: float = 0.6
    tail_log: float = -6.0
    unvoiced_log: float = -2.6
    silent_voiced_log: float = -2.8
    entry_log: float = -2.0
    legato_log: float = -8.0
    leave_log: float = -3.5
    settle_log: float = -0.5
    reach: float = 1.5


def distance_prior(n: int) -> FloatArray:
    """Log prior of the distance between one note and the next, per grid step, (n,).

    Melodies move by small steps; a change of less than half a semitone is the singer's wavering,
    rarely a new note (common practice, no source)."""
    semitones = np.arange(n) / PER_SEMITONE
    weight = 0.75 * np.exp(-0.5 * (semitones / 3.0) ** 2) + 0.25 * np.exp(
        -0.5 * (semitones / 9.0) ** 2
    )
    prior: FloatArray = np.log(np.maximum(weight, 1e-6))
    prior[(semitones > 0) & (semitones < 0.6)] -= 3.0
    return prior


@compiled
def _forward(
    position: FloatArray,
    voiced: FloatArray,
    prior: FloatArray,
    n_pitches: int,
    numbers: FloatArray,
) -> tuple[NDArray[Any], FloatArray]:
    """Where each state of each frame came from, and the scores of the last frame. `position` is
    the pitch in grid steps (any number where unvoiced), `voiced` the log-likelihood scale: 0
    unvoiced, else its weight."""
    n_frames = len(position)
    attack_width, stable_width, tail = numbers[0], numbers[1], numbers[2]
    unvoiced, silent_voiced = numbers[3], numbers[4]
    entry, legato, leave, settle = numbers[5], numbers[6], numbers[7], numbers[8]
    reach, scale = numbers[9], numbers[10]
    score, new = np.empty((3, n_pitches)), np.empty((3, n_pitches))
    for p in range(n_pitches):
        score[ATTACK, p] = score[STABLE, p] = -1e30
        score[SILENT, p] = 0.0
    back = np.empty((n_frames, 3, n_pitches), dtype=np.int16)
    for t in range(n_frames):
        heard = voiced[t] > 0.0
        for p in range(n_pitches):
            away = position[t] - p
            if heard:
                like_a = voiced[t] * max(-0.5 * (away / attack_width) ** 2 - 1.0, tail)
                like_s = voiced[t] * max(-0.5 * (away / stable_width) ** 2, tail)
                like_q = voiced[t] * silent_voiced
            else:
                like_a = unvoiced
                like_s = unvoiced
                like_q = 0.0
            a, s, q = score[ATTACK, p], score[STABLE, p], score[SILENT, p]
            best_a, from_a = a, -1
            if heard and abs(away) <= reach:
                for o in range(n_pitches):
                    step = prior[abs(o - p)]
                    value = score[SILENT, o] + entry + step
                    if value > best_a:
                        best_a, from_a = value, o
                    if o != p:
                        value = score[STABLE, o] + legato + step
                        if value > best_a:
                            best_a, from_a = value, n_pitches + o
            new[ATTACK, p] = best_a + scale * like_a
            back[t, ATTACK, p] = from_a
            back[t, STABLE, p] = 0 if s >= a + settle else 1
            new[STABLE, p] = max(s, a + settle) + scale * like_s
            back[t, SILENT, p] = 0 if q >= s + leave else 1
            new[SILENT, p] = max(q, s + leave) + scale * like_q
        score, new = new, score
    return back, score


@compiled
def _trace(back: NDArray[Any], score: FloatArray) -> NDArray[Any]:
    """The way back: state per frame, kind * n_pitches + pitch, with 3 * n_pitches added where a
    note begins."""
    n_frames, _, n_pitches = back.shape
    path = np.empty(n_frames, dtype=np.int64)
    kind, pitch, best = SILENT, 0, -1e300
    for k in range(1, 3):
        for p in range(n_pitches):
            if score[k, p] > best:
                kind, pitch, best = k, p, score[k, p]
    for t in range(n_frames - 1, -1, -1):
        path[t] = kind * n_pitches + pitch
        came = back[t, kind, pitch]
        if kind == ATTACK and came >= 0:
            path[t] += 3 * n_pitches
            kind = SILENT if came < n_pitches else STABLE
            pitch = came % n_pitches
        elif kind == STABLE and came == 1:
            kind = ATTACK
        elif kind == SILENT and came == 1:
            kind = STABLE
    return path


def decode_notes(
    midi: FloatArray, weight: FloatArray, *, hop_s: float, settings: HmmSettings | None = None
) -> list[tuple[int, int, int, float]]:
    """Notes under a pitch line.

    Parameters
    ----------
    midi : float64 (n_frames,)
        MIDI number per frame, NaN where unvoiced.
    weight : float64 (n_frames,)
        How far each voiced frame is to be trusted, 0 to 1.

    Returns
    -------
    list of (start, stable, stop, midi)
        Frames [start, stop) with the first stable frame, and the grid pitch.
    """
    set_ = settings or HmmSettings()
    voiced = np.isfinite(midi)
    if not voiced.any():
        return []
    low = np.floor(midi[voiced].min()) - 2
    n_pitches = int((np.ceil(midi[voiced].max()) + 2 - low) * PER_SEMITONE) + 1
    position = np.where(voiced, (np.nan_to_num(midi) - low) * PER_SEMITONE, 0.0)
    numbers = np.array(
        [
            set_.attack_width * PER_SEMITONE,
            set_.stable_width * PER_SEMITONE,
            set_.tail_log,
            set_.unvoiced_log,
            set_.silent_voiced_log,
            set_.entry_log,
            set_.legato_log,
            set_.leave_log,
            set_.settle_log,
            set_.reach * PER_SEMITONE,
            hop_s / MODEL_HOP_S,
        ]
    )
    trust = np.where(voiced, np.clip(weight, 0.2, 1.0), 0.0)
    back, score = _forward(position, trust, distance_prior(n_pitches), n_pitches, numbers)
    return _runs(_trace(back, score), n_pitches, low)


def warm_up() -> None:
    """Compile the decoder (or load it), so that nobody waits for it later."""
    decode_notes(np.full(8, 60.0), np.full(8, 1.0), hop_s=MODEL_HOP_S)


def _runs(path: NDArray[Any], n_pitches: int, low: float) -> list[tuple[int, int, int, float]]:
    kinds, pitches = path // n_pitches, path % n_pitches
    fresh = kinds == 3 + ATTACK
    kinds = kinds % 3
    sounding = kinds != SILENT
    starts = np.flatnonzero(fresh)
    found = []
    for k, start in enumerate(starts):
        limit = starts[k + 1] if k + 1 < len(starts) else len(path)
        quiet = np.flatnonzero(~sounding[start:limit])
        stop = int(start + quiet[0]) if len(quiet) else int(limit)
        steady = np.flatnonzero(kinds[start:stop] == STABLE)
        stable = int(start + steady[0]) if len(steady) else int(stop)
        found.append((int(start), stable, stop, low + float(pitches[start]) / PER_SEMITONE))
    return found
