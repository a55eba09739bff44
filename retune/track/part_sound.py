"""What a stem sounds like at a few hundred places of its song: whether it sounds there, whether it
has one pitch and which, and how much it is like noise. Cheap; it tells parts apart, not notes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from retune.carriers.heard import AudioLike, FloatArray
from retune.carriers.units import gain_to_db, hz_to_midi

N_PLACES = 240
FRAME_S = 0.1
RATE_HZ = 8000
LOWEST_HZ, HIGHEST_HZ = 38.0, 1200.0
QUIET_DB = 40.0
"""So far below its loudest places a stem is taken to rest."""
SILENT_DB = -75.0
CLEAR = 0.85
# Of several peaks the first that is nearly the highest is the period (McLeod and Wyvill 2005).
NEARLY = 0.9
FIRST_DB = -35.0
"""So far below its strongest harmonic lies the first of a note at most: sung notes have it above
-30, a chord, that repeats at a period far below all its notes, at -50."""
NOISE_BAND_HZ = (200.0, 4000.0)
LOW_HZ = 180.0


@dataclass(frozen=True, eq=False)
class PartSound:
    """At each of the places: `midi`, the pitch at A4 = 440 (nan where it rests or has not one
    pitch); `level_db`; `flatness`, 0 of a tone to .56 of noise (nan where it rests); `low`, the
    share of its energy below `LOW_HZ` (nan where it rests)."""

    midi: FloatArray
    level_db: FloatArray
    flatness: FloatArray
    low: FloatArray

    @property
    def sounding(self) -> float:
        """The share of the song in which it sounds."""
        return float(np.mean(np.isfinite(self.flatness)))

    @property
    def pitched(self) -> float:
        """The share of where it sounds in which it has one pitch."""
        return float(np.isfinite(self.midi).sum() / max(1, np.isfinite(self.flatness).sum()))


def sound_of_part(audio: AudioLike, *, duration_s: float | None = None) -> PartSound:
    """Look at `N_PLACES` places, spread evenly over `duration_s` (the song's, so that the places
    of all its stems are the same; else the stem's own)."""
    size = round(FRAME_S * audio.rate_hz)
    whole_s = audio.n_samples / audio.rate_hz if duration_s is None else duration_s
    starts = np.linspace(0, max(whole_s - FRAME_S, 0), N_PLACES) * audio.rate_hz
    frames = np.zeros((N_PLACES, size))
    for k, start in enumerate(starts.astype(int)):
        samples = audio.read(int(start), int(start) + size)
        frames[k, : len(samples)] = samples.mean(axis=1)
    level_db = 10 * np.log10(np.mean(frames**2, axis=1) + 1e-12)
    rests = level_db < max(float(level_db.max()) - QUIET_DB, SILENT_DB)
    spectrum = np.fft.rfft(frames * np.hanning(size), axis=1)
    power = np.asarray(np.abs(spectrum) ** 2 + 1e-20, dtype=np.float64)
    hz = np.asarray(np.fft.rfftfreq(size, 1 / audio.rate_hz), dtype=np.float64)
    midi, flatness = _one_pitch(frames, power, hz), _flatness(power, hz)
    low = power[:, hz < LOW_HZ].sum(axis=1) / power.sum(axis=1)
    for row in (midi, flatness, low):
        row[rests] = np.nan
    return PartSound(midi, level_db, flatness, low)


def _flatness(power: FloatArray, hz: FloatArray) -> FloatArray:
    """Geometric over arithmetic mean of the power in the band where tones and noise differ."""
    band = power[:, (hz >= NOISE_BAND_HZ[0]) & (hz < NOISE_BAND_HZ[1])]
    return np.asarray(np.exp(np.log(band).mean(axis=1)) / band.mean(axis=1))


def _one_pitch(frames: FloatArray, power: FloatArray, hz: FloatArray) -> FloatArray:
    """The pitch of every frame, nan where it does not repeat clearly."""
    likeness = _likeness(frames, hz)
    inner = likeness[:, 1:-1]
    is_peak = (inner > likeness[:, :-2]) & (inner >= likeness[:, 2:])
    # What belongs to the first hill, about lag 0, is no period.
    is_peak &= np.logical_or.accumulate(likeness < 0, axis=1)[:, 1:-1]
    is_peak[:, : int(RATE_HZ / HIGHEST_HZ) - 1] = False
    best = np.where(is_peak, inner, -1.0).max(axis=1)
    lag = np.argmax(is_peak & (inner >= NEARLY * best[:, None]), axis=1) + 1
    rows = np.arange(len(frames))
    before, at, after = (likeness[rows, lag + step] for step in (-1, 0, 1))
    curve = np.minimum(before + after - 2 * at, -1e-12)
    f0_hz = RATE_HZ / (lag + 0.5 * (before - after) / curve)
    first = np.abs(hz - f0_hz[:, None]) <= np.maximum(1.1 / FRAME_S, 0.03 * f0_hz[:, None])
    first_db = gain_to_db(np.sqrt(np.where(first, power, 0).max(axis=1) / power.max(axis=1)))
    is_one = (best >= CLEAR) & (first_db > FIRST_DB)
    return np.where(is_one, hz_to_midi(np.maximum(f0_hz, 1.0)), np.nan)


def _likeness(frames: FloatArray, hz: FloatArray) -> FloatArray:
    """How like each frame, at `RATE_HZ`, is to itself some samples later, up to 1: the normalized
    square difference of McLeod and Wyvill, "A smarter way to find pitch" (2005)."""
    size = round(FRAME_S * RATE_HZ)
    spectrum = np.fft.rfft(frames, axis=1)[:, : size // 2 + 1]
    spectrum[:, hz[: spectrum.shape[1]] < LOWEST_HZ / 2] = 0
    x = np.fft.irfft(spectrum, n=size, axis=1)
    lags = int(RATE_HZ / LOWEST_HZ) + 2
    products = np.fft.irfft(np.abs(np.fft.rfft(x, n=2 * size, axis=1)) ** 2, axis=1)[:, :lags]
    ahead = np.cumsum(x**2, axis=1)
    behind = np.cumsum(x[:, ::-1] ** 2, axis=1)
    norm = ahead[:, ::-1][:, :lags] + behind[:, ::-1][:, :lags]
    return np.asarray(2 * products / np.maximum(norm, 1e-20))
