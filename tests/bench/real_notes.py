"""What moving a note did to a real voice, measured against the note as it was sung.

No truth is needed: a moved note should have its pitch moved and all else as before. Pitch,
jitter, harmonics to noise, cepstral peak prominence and formants are read by Praat (parselmouth).
The limits beyond which a change would be noticed are common practice, no source; nobody listened.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import parselmouth
from metrics import _hnr, mel_levels, pitch
from numpy.typing import NDArray
from parselmouth.praat import call

RATE_HZ = 44100
Floats = NDArray[np.float64]
Samples = NDArray[np.float32]
EDGE_S = 0.05
QUIET_DB = 20.0
GHOST_HARMONICS, GHOST_APART = 8, 0.12


@dataclass(frozen=True)
class Change:
    """One note. `pitch_cents` median error, `p95_cents` of its deviations; `hole` share of voiced
    frames lost; `level_db` worst change of level over 10 ms (two periods at least); `hnr_db`,
    `cpp_db`, `jitter` (percent) after less before; `envelope_db` root mean square over mel bands;
    `formant` mean shift of the first three, percent; `ghost_db` what is left at the old pitch
    beside what lay between harmonics before, relative to the note's own harmonics."""

    pitch_cents: float
    p95_cents: float
    hole: float
    level_db: float
    hnr_db: float
    cpp_db: float
    jitter: float
    envelope_db: float
    formant: float
    ghost_db: float

    def noticed(self) -> tuple[str, ...]:
        """The limits that this note passes."""
        over = {
            "jitter": self.jitter > 0.5,
            "hnr": self.hnr_db < -3.0,
            "cpp": self.cpp_db < -3.0,
            "pitch": self.p95_cents > 50.0,
            "hole": self.hole > 0.05,
            "level": self.level_db > 6.0,
        }
        return tuple(name for name, is_over in over.items() if is_over)


NAMES = tuple(field.name for field in fields(Change))


@dataclass(eq=False)
class Heard:
    """Curves of a whole sound, read once: pitch in cents, harmonics to noise, mel levels."""

    y: Samples

    def __post_init__(self) -> None:
        self.at_s, self.cents = pitch(self.y)
        self.hnr_s, self.hnr = _hnr(self.y)
        self.mel_s, self.mel = mel_levels(self.y)

    def slice(self, a_s: float, b_s: float) -> parselmouth.Sound:
        part = self.y[int(a_s * RATE_HZ) : int(b_s * RATE_HZ)]
        return parselmouth.Sound(np.asarray(part, np.float64), RATE_HZ)


def _inside(at_s: Floats, a_s: float, b_s: float) -> NDArray[np.bool_]:
    return np.asarray((at_s >= a_s) & (at_s <= b_s))


def change_of(
    was: Heard, now: Heard, *, start_s: float, end_s: float, shift_cents: float
) -> Change | None:
    """What became of the note between two times; None where Praat hears hardly any pitch."""
    edge_s = min(EDGE_S, 0.2 * (end_s - start_s))
    a, b = start_s + edge_s, end_s - edge_s
    here = _inside(was.at_s, a, b)
    old, new = was.cents[here], now.cents[here]
    voiced = np.isfinite(old)
    if voiced.sum() < 10:
        return None
    both = voiced & np.isfinite(new)
    error = new[both] - old[both] - shift_cents
    middle = float(np.median(error)) if both.any() else float("nan")
    hz = 440 * 2 ** ((float(np.median(old[voiced])) - 6900) / 1200)
    moved_hz = hz * 2 ** (shift_cents / 1200)
    return Change(
        pitch_cents=abs(middle),
        p95_cents=float(np.percentile(np.abs(error), 95)) if both.any() else 1200.0,
        hole=float(np.mean(~np.isfinite(new[voiced]))),
        level_db=_level_db(was.y, now.y, a, b, hz),
        hnr_db=_mean_hnr(now, a, b) - _mean_hnr(was, a, b),
        cpp_db=_cpp(now.slice(a, b)) - _cpp(was.slice(a, b)),
        jitter=_jitter(now.slice(a, b), moved_hz) - _jitter(was.slice(a, b), hz),
        envelope_db=_envelope_db(was, now, a, b),
        formant=_formants(was.slice(a, b), now.slice(a, b)),
        ghost_db=_ghost_db(was.y, now.y, a, b, hz, shift_cents),
    )


def _jitter(sound: parselmouth.Sound, hz: float) -> float:
    """Local jitter, percent."""
    points = call(sound, "To PointProcess (periodic, cc)", 0.6 * hz, 1.7 * hz)
    found = call(points, "Get jitter (local)", 0, 0, 0.0001, 0.05, 1.3)
    return 100 * float(found) if np.isfinite(found) else 0.0


def _mean_hnr(heard: Heard, a_s: float, b_s: float) -> float:
    found = heard.hnr[_inside(heard.hnr_s, a_s, b_s)]
    found = found[found > -100]
    return float(np.mean(found)) if len(found) else -10.0


def _cpp(sound: parselmouth.Sound) -> float:
    """Smoothed cepstral peak prominence (Hillenbrand & Houde 1996), as Praat has it."""
    gram = call(sound, "To PowerCepstrogram", 60, 0.002, 5000, 50)
    return float(
        call(gram, "Get CPPS", "no", 0.01, 0.001, 60, 1000, 0.05, "Parabolic", 0.001, 0.05,
             "Straight", "Robust")
    )  # fmt: skip


def _levels(y: Samples, a_s: float, b_s: float, width_s: float) -> Floats:
    total = np.concatenate([[0.0], np.cumsum(np.asarray(y, np.float64) ** 2)])
    at = (np.arange(a_s, b_s, 0.005) * RATE_HZ).astype(int)
    half = int(width_s * RATE_HZ / 2)
    low, high = np.clip(at - half, 0, len(y)), np.clip(at + half, 0, len(y))
    return np.asarray(10 * np.log10((total[high] - total[low]) / (2 * half) + 1e-12))


def _level_db(old: Samples, new: Samples, a_s: float, b_s: float, hz: float) -> float:
    width_s = max(0.01, 2 / hz)
    was, now = (_levels(y, a_s, b_s, width_s) for y in (old, new))
    loud = was > was.max() - QUIET_DB
    return float(np.max(np.abs(now - was)[loud]))


def _envelope_db(was: Heard, now: Heard, a_s: float, b_s: float) -> float:
    here = _inside(was.mel_s, a_s, b_s)
    old, new = (10 * np.log10(np.mean(10 ** (h.mel[:, here] / 10), axis=1)) for h in (was, now))
    smooth = np.ones(5) / 5
    apart = np.convolve(new - old, smooth, "valid")
    return float(np.sqrt(np.mean((apart - apart.mean()) ** 2)))


def _formants(was: parselmouth.Sound, now: parselmouth.Sound) -> float:
    rows = []
    for sound in (was, now):
        gram = sound.to_formant_burg(0.01, 5, 5500, 0.025, 50)
        rows.append(
            [np.nanmedian([gram.get_value_at_time(k, t) for t in gram.xs()]) for k in (1, 2, 3)]
        )
    old, new = np.array(rows)
    return float(100 * np.nanmean(np.abs(new / old - 1)))


def _ghost_db(
    old: Samples, new: Samples, a_s: float, b_s: float, hz: float, shift_cents: float
) -> float:
    """Power at harmonics of the old pitch that are none of the new, after, re before."""
    a, b = int(a_s * RATE_HZ), int(b_s * RATE_HZ)
    window = np.hanning(b - a)
    spectra = [np.abs(np.fft.rfft(y[a:b] * window)) ** 2 for y in (old, new)]
    step = RATE_HZ / (b - a)
    ratio, powers = 2 ** (shift_cents / 1200), np.zeros(2)
    for k in range(1, GHOST_HARMONICS + 1):
        if abs(k / ratio - round(k / ratio)) < GHOST_APART:
            continue
        near = slice(int(k * hz * 0.985 / step), int(k * hz * 1.015 / step) + 2)
        powers += [float(s[near].sum()) for s in spectra]
    if powers[0] <= 0:
        return float("nan")
    return float(10 * np.log10(powers[1] / powers[0] + 1e-9))
