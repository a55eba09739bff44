"""Finished mixes that exist twice: as sung, and with some notes sung at another pitch.

A voice of `ground_truth` in the middle over decaying chords spread left and right, a bass and
noise drums; dry, or all of it in a stereo room.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from ground_truth import RATE_HZ, SINGERS, Pair, make_pair
from numpy.typing import NDArray
from rooms import in_room, panned
from scipy.signal import butter, sosfilt

Floats = NDArray[np.float64]
BEAT_S = 0.55
# Semitones above the tonic: I IV V vi ii V7 I.
PROGRESSION = (
    (0, 4, 7),
    (5, 9, 12),
    (7, 11, 14),
    (9, 12, 16),
    (2, 5, 9),
    (7, 11, 14, 17),
    (0, 4, 7),
)
ROOM_S, WET_DB = 0.9, -9.0


@dataclass(frozen=True, eq=False)
class Mixture:
    """`mix`, `truth` and the parts `voice`, `voice_truth`, `backing`, all (n, 2); `again` is the
    truth sung once more, with other pulses and breath, and in another room of the same decay."""

    pair: Pair
    tonic_midi: int
    mix: Floats
    truth: Floats
    voice: Floats
    voice_truth: Floats
    backing: Floats
    again: Floats


def _tone(f: float, n: int, tilt: float, decay_s: float, rng: np.random.Generator) -> Floats:
    time_s = np.arange(n) / RATE_HZ
    tone = np.zeros(n)
    for h in range(1, int(min(9000 / f, 15)) + 1):
        tone += h**-tilt * np.cos(2 * np.pi * h * f * time_s + rng.uniform(0, 2 * np.pi))
    fade = np.minimum(time_s / 0.008, 1) * np.minimum((n - np.arange(n)) / 400, 1)
    return tone * fade * np.exp(-time_s / decay_s)


def backing(n: int, tonic_midi: int, *, seed: int) -> Floats:
    """Chords, bass and drums, (n, 2)."""
    rng = np.random.default_rng(seed)
    out = np.zeros((n, 2))
    for i, first in enumerate(range(0, n, int(2 * BEAT_S * RATE_HZ))):
        chord = PROGRESSION[(i + seed) % len(PROGRESSION)]
        length = min(int(2 * BEAT_S * RATE_HZ), n - first)
        here = slice(first, first + length)
        for semitones in (*chord, chord[0] + 12, chord[1] + 12):
            f = 440 * 2 ** ((tonic_midi + semitones - 69 + rng.normal(0, 0.03)) / 12)
            out[here] += panned(_tone(f, length, 1.3, 1.2, rng), rng.uniform(-0.7, 0.7))
        f = 440 * 2 ** ((tonic_midi + chord[0] - 24 - 69) / 12)
        out[here] += panned(1.4 * _tone(f, length, 1.2, 0.8, rng), 0.0)
    snare = butter(2, [300, 5000], "bandpass", fs=RATE_HZ, output="sos")
    for i, first in enumerate(range(0, n, int(BEAT_S / 2 * RATE_HZ))):
        m = min(int(0.12 * RATE_HZ), n - first)
        hat = 0.5 * np.diff(rng.standard_normal(m + 1)) * np.exp(-np.arange(m) / (0.015 * RATE_HZ))
        out[first : first + m] += panned(hat, 0.2)
        if i % 4 == 2:
            hit = sosfilt(snare, rng.standard_normal(m)) * np.exp(-np.arange(m) / (0.05 * RATE_HZ))
            out[first : first + m] += panned(2.0 * hit, 0.0)
    return out


def _in_room(y: Floats, *, seed: int, wet_db: float) -> Floats:
    rng = np.random.default_rng(seed)
    return in_room(y, rng, rt60_s=ROOM_S, wet_db=wet_db, low_hz=5000.0)


def make_mixture(
    singer: str, tune: str, *, lead_db: float, is_wet: bool, seed: int, wet_db: float = WET_DB
) -> Mixture:
    """One mix, notes moved by -200 cents; `lead_db` is the level of the voice re the backing while
    it sings, `wet_db` that of the room's reverb re the sound in each channel."""
    pair = make_pair(singer, tune, -200.0)
    sounds = (pair.original, pair.truth, pair.other)
    voices = [panned(np.sqrt(2) * y.astype(np.float64), 0.0) for y in sounds]
    band = backing(len(voices[0]), SINGERS[singer].tonic_midi, seed=seed)
    sung = np.abs(pair.original) > 0.01
    band *= np.sqrt(np.mean(voices[0][sung] ** 2) / np.mean(band[sung] ** 2)) * 10 ** (
        -lead_db / 20
    )
    if is_wet:
        rooms = (5, 5, 7)
        voices = [_in_room(v, seed=k, wet_db=wet_db) for v, k in zip(voices, rooms, strict=True)]
        band = _in_room(band, seed=6, wet_db=wet_db)
    gain = 0.7 / max(float(np.abs(v + band).max()) for v in voices[:2])
    voice, voice_truth, again = (gain * v for v in voices)
    band = gain * band
    mixes = [v + band for v in (voice, voice_truth)]
    return Mixture(pair, SINGERS[singer].tonic_midi, *mixes, voice, voice_truth, band, again + band)
