"""Finished mixes to fit constants on: other voices, bands and rooms than `mixtures` and
`real_mixes` have, so that what is fitted here can be measured there."""

from __future__ import annotations

from dataclasses import dataclass

import melody_mixes
import numpy as np
from numpy.typing import NDArray
from rooms import in_room, panned
from scipy.signal import butter, resample_poly, sosfilt
from spoken_leads import HELD_OUT
from voices import SINGERS, plan_notes, sing

from retune.song.guide import GuideNote

Floats = NDArray[np.float64]
RATE_HZ = 44100
TUNES = (
    (0, 4, 2, 7, 5, 4, 2, 0),
    (7, 5, 4, 2, 4, 0, -1, 0),
    (4, 4, 5, 7, 7, 5, 4, 2),
    (0, 2, 3, 7, 8, 7, 3, 2),
    (12, 11, 7, 9, 7, 4, 5, 0),
)
PROGRESSIONS = (
    ((0, 4, 7), (9, 12, 16), (5, 9, 12), (7, 11, 14)),
    ((0, 3, 7), (8, 12, 15), (3, 7, 10), (10, 14, 17)),
    ((0, 4, 7, 11), (2, 5, 9, 12), (7, 11, 14, 17), (0, 4, 7)),
)
KINDS = ("pad", "organ", "piano", "guitar")


@dataclass(frozen=True, eq=False)
class Practice:
    """`mix` and its parts (n, 2); `notes` as (start_s, end_s, midi); the true pitch in time."""

    mix: Floats
    voice: Floats
    backing: Floats
    notes: tuple[tuple[float, float, float], ...]
    time_s: Floats
    f0_hz: Floats


def tone(kind: str, f: float, n: int, rng: np.random.Generator) -> Floats:
    """One tone of a pad (wavering), an organ (still), a piano (stretched) or a guitar."""
    t, y, top = np.arange(n) / RATE_HZ, np.zeros(n), int(min(9000 / f, 20))
    rise, fall = {"pad": (0.12, 3000), "organ": (0.02, 1500)}.get(kind, (0.004, 800))
    if kind == "pad":
        for cents in rng.normal(0, 4, 3):
            waver = 0.0004 * np.sin(2 * np.pi * rng.uniform(4.5, 6) * t + rng.uniform(0, 6))
            phase = 2 * np.pi * f * 2 ** (cents / 1200) * (t + waver)
            for h in range(1, top + 1):
                y += h**-1.3 / 3 * np.cos(h * phase + rng.uniform(0, 2 * np.pi))
    else:
        pluck = rng.uniform(0.15, 0.3)
        stops = {1: 1.0, 2: 0.8, 3: 0.5, 4: 0.4, 6: 0.3, 8: 0.25}
        for h in range(1, top + 1):
            level, decay, stretch = {
                "organ": (stops.get(h, 0.0), 0.0, 1.0),
                "piano": (h**-1.1, 0.8 + h * f / 520, np.sqrt(1 + 3e-4 * (f / 260) ** 1.5 * h**2)),
                "guitar": (2 * np.sin(np.pi * h * pluck) / h, 1.2 + 0.6 * h, 1.0),
            }[kind]
            turn = 2 * np.pi * h * f * stretch * t + rng.uniform(0, 2 * np.pi)
            y += level * np.cos(turn) * np.exp(-decay * t)
    return y * np.minimum(t / rise, 1) * np.minimum((n - np.arange(n)) / fall, 1)


def band(n: int, tonic: int, kind: str, rng: np.random.Generator) -> Floats:
    """Chords of one kind of instrument, a bass, and drums in most."""
    out, beat = np.zeros((n, 2)), rng.uniform(0.4, 0.7)
    progression, wide = PROGRESSIONS[rng.integers(len(PROGRESSIONS))], rng.uniform(0.3, 0.9)
    for i, first in enumerate(range(0, n, int(2 * beat * RATE_HZ))):
        chord, last = progression[i % len(progression)], min(first + int(2 * beat * RATE_HZ), n)
        for j, step in enumerate((*chord, chord[0] + 12)):
            f = 440 * 2 ** ((tonic + step - 69 + rng.normal(0, 0.03)) / 12)
            start = first + (int(j * beat / 2 * RATE_HZ) if kind == "guitar" else 0)
            if start < last:
                out[start:last] += panned(
                    tone(kind, f, last - start, rng), rng.uniform(-wide, wide)
                )
        f = 440 * 2 ** ((tonic + chord[0] - 24 - 69) / 12)
        out[first:last] += panned(1.4 * tone("guitar", f, last - first, rng), 0.0)
    if rng.random() < 0.7:
        snare = butter(2, [300, 5000], "bandpass", fs=RATE_HZ, output="sos")
        for i, first in enumerate(range(0, n, int(beat / 2 * RATE_HZ))):
            m = min(int(0.12 * RATE_HZ), n - first)
            t = np.arange(m) / RATE_HZ
            hat = 0.4 * np.diff(rng.standard_normal(m + 1)) * np.exp(-t / 0.015)
            out[first : first + m] += panned(hat, 0.2)
            if i % 4 == 2:
                hit = 1.8 * np.asarray(sosfilt(snare, rng.standard_normal(m)))
                out[first : first + m] += panned(hit * np.exp(-t / 0.05), 0.0)
    return out


def rough_guide(practice: Practice) -> list[GuideNote]:
    """The notes as a person would give them: off by 30 ms (standard deviation)."""
    rng, guide, last = np.random.default_rng(3), [], 0.0
    for start_s, end_s, midi in practice.notes:
        start_s = max(start_s + rng.normal(0, 0.03), last)
        last = max(end_s + rng.normal(0, 0.03), start_s + 0.05)
        guide.append(GuideNote(start_s, last, float(round(midi))))
    return guide


def make_practice(k: int) -> Practice:
    """The k-th mix: five voices and four bands in turn, the rest by lot."""
    rng = np.random.default_rng(1000 + k)
    singer, kind = SINGERS[k % len(SINGERS)], KINDS[(k // len(SINGERS)) % len(KINDS)]
    tune = TUNES[rng.integers(len(TUNES))]
    sung = sing(singer, seed=k, tune=tune)
    spans = plan_notes(singer, np.random.default_rng([k, singer.low_midi]), tune)
    notes = tuple((float(s["from"]), float(s["to"]), float(s["midi"])) for s in spans)  # type: ignore[arg-type]
    lead_db, is_wet = rng.choice([6, 0, -6]) + rng.uniform(-2, 2), rng.random() < 0.5
    voice = panned(np.sqrt(2) * sung.samples, float(rng.normal(0, 0.02)))
    low = singer.low_midi
    tonic = low + (12 if low < 50 else 0 if low < 60 else -7)
    backing = band(len(voice), tonic, kind, rng)
    on = np.abs(sung.samples) > 0.02
    backing *= np.sqrt(np.mean(voice[on] ** 2) / np.mean(backing[on] ** 2)) * 10 ** (-lead_db / 20)
    if is_wet:
        room = {"rt60_s": rng.uniform(0.4, 1.6), "wet_db": rng.uniform(-14, -7)}
        voice, backing = (
            in_room(y, rng, low_hz=rng.uniform(3000, 7000), **room) for y in (voice, backing)
        )
    gain = 0.7 / float(np.abs(voice + backing).max())
    voice, backing = gain * voice, gain * backing
    return Practice(voice + backing, voice, backing, notes, sung.time_s, sung.f0_hz)


def of_parts(lead: melody_mixes.Lead, voice: Floats, backing: Floats) -> Practice:
    """A voice and a band of `melody_mixes`, put together."""
    gain = 0.7 / np.abs(voice + backing).max()
    up = RATE_HZ // melody_mixes.RATE_HZ
    voice, backing = (gain * resample_poly(x, up, 1, axis=0) for x in (voice, backing))
    return Practice(voice + backing, voice, backing, lead.notes, lead.time_s, lead.f0_hz)


def make_words(k: int) -> Practice:
    """The k-th mix of spoken syllables, sung, by a speaker whom no network was taught on, over a
    band out of a soundfont."""
    lead, rng = melody_mixes.spoken_lead(90_000 + k, HELD_OUT), np.random.default_rng([56, k])
    band, _ = melody_mixes.played_band(90_000 + melody_mixes.in_key(lead.key, rng))
    return of_parts(lead, *melody_mixes.some_parts(lead, band, rng))
