"""Is this stem one voice, dry, within the tracker's range? Evidence, put in plain words.

Long spectra are held against the track. One voice leaves nothing between the harmonics of its
f0; a second voice does. Two voices in a simple ratio share a period below both: then harmonics
that any voice has are missing. Limits were set on solo recordings and on mixes made of them;
they are cautious: silent in doubt.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from math import gcd

import numpy as np
from numpy.typing import NDArray

from retune.carriers.heard import AudioLike, FloatArray, PitchTrack
from retune.carriers.units import gain_to_db
from retune.track.stream import framed_blocks, mono_blocks

RATE_HZ = 22050
WINDOW = 2048
HOP = 1024
HIGHEST_HZ = 3500.0
N_HARMONICS = 8

LOUD_DB = 18.0
STEADY_CENTS = 80.0
SURE_PROB = 0.5
TONAL_SHARE = 0.8
ABSENT_DB = -30.0
CLEAR = 0.85
FEWEST_FRAMES = 10

BETWEEN_DB = -12.5
# In strong reverb the last note sounds on under this one.
BETWEEN_IN_REVERB_DB = -10.0
UNCLEAR_LIMIT = 0.6
MISSING_LIMIT = 0.4
HIDDEN_LIMIT = 0.25

SMOOTH_S = 0.08
DECAY_DB = 8.0
SLOW_DB_PER_S = 85.0
FEWEST_FALLS = 4


@dataclass(frozen=True)
class Look:
    """What one loud moment shows.

    `tonal` and `sure`: its spectrum is a few lines; the tracker is sure of it. For a steady
    pitch `between_db` is the level between its harmonics re all of it, `below_db` the part of
    it that a pitch an octave or a twelfth lower explains, and `common` what the strong harmonics
    say: 0 nothing, 1 two voices sharing a period, 2 and more the true pitch as a multiple. Where
    the tracker is not sure, `hidden_hz` is the pitch that a search without bounds finds (0: none).
    """

    tonal: bool
    sure: bool
    between_db: float | None = None
    below_db: float | None = None
    common: int = 0
    hidden_hz: float = 0.0


def voice_warnings(audio: AudioLike, track: PitchTrack) -> list[str]:
    """What speaks against `audio` being one dry voice that `track` could follow.

    Parameters
    ----------
    audio : AudioLike
        The stem, read in blocks.
    track : PitchTrack
        Its f0, of any tracker.

    Returns
    -------
    list of str
        Sentences for the user; empty when nothing was found.
    """
    looks = list(look_at(audio, track))
    reverb_lines = reverberant(track.energy_db, hop_s=track.hop_s)
    limit_db = BETWEEN_IN_REVERB_DB if reverb_lines else BETWEEN_DB
    range_lines = out_of_range(looks, track)
    return [*(range_lines or more_voices(looks, limit_db=limit_db)), *reverb_lines]


def look_at(audio: AudioLike, track: PitchTrack) -> Iterator[Look]:
    """A `Look` at every loud moment, some 20 a second."""
    if len(track.time_s) < 2:
        return
    loud_db = float(np.percentile(track.energy_db, 95)) - LOUD_DB
    reach = max(round(WINDOW / 2 / RATE_HZ / track.hop_s), 1)
    weights = np.hanning(WINDOW + 2)[1:-1]
    n = 0
    blocks = mono_blocks(audio, rate_hz=RATE_HZ)
    for stretch in framed_blocks(blocks, window=WINDOW, hop=HOP, batch=64):
        for frame in np.lib.stride_tricks.sliding_window_view(stretch, WINDOW)[::HOP]:
            middle = round(n * HOP / RATE_HZ / track.hop_s)
            n += 1
            here = slice(max(middle - reach, 0), middle + reach + 1)
            levels_db = track.energy_db[here]
            if len(levels_db) <= 2 * reach or levels_db.min() < max(loud_db, -60.0):
                continue
            sure = float(track.voiced_prob[middle]) >= SURE_PROB
            yield examine(frame * weights, track.f0_hz[here], sure=sure)


def examine(frame: FloatArray, f0_hz: FloatArray, *, sure: bool) -> Look:
    """Look at one windowed frame, `f0_hz` being the track over the same time."""
    power: FloatArray = np.abs(np.fft.rfft(frame)) ** 2
    hz: FloatArray = np.arange(len(power), dtype=np.float64) * (RATE_HZ / WINDOW)
    heard = power[(hz > 60) & (hz < 4000)]
    strongest = np.sort(heard)[-heard.size // 10 :]
    tonal = bool(strongest.sum() > TONAL_SHARE * heard.sum())
    steady = np.isfinite(f0_hz).all() and np.ptp(1200 * np.log2(f0_hz)) < STEADY_CENTS
    if not steady:
        hidden_hz = 0.0 if sure or not tonal else clear_pitch(frame, power, hz)
        return Look(tonal, sure, hidden_hz=hidden_hz)
    middle_hz = float(f0_hz[len(f0_hz) // 2])
    inside = (hz > 0.3 * middle_hz) & (hz < min((N_HARMONICS + 0.5) * middle_hz, HIGHEST_HZ))
    part, part_hz = power[inside], hz[inside]
    whole = part.sum() + 1e-30
    between = part[~near_harmonic(part_hz, middle_hz)].sum()
    left = min(part[~near_harmonic(part_hz, middle_hz / m)].sum() for m in (2, 3))
    return Look(
        tonal,
        sure,
        float(10 * np.log10(between / whole + 1e-9)),
        float(10 * np.log10(max(between - left, 0.0) / whole + 1e-9)),
        common_factor(power, hz, middle_hz),
        0.0 if sure or not tonal else clear_pitch(frame, power, hz),
    )


def clear_pitch(frame: FloatArray, power: FloatArray, hz: FloatArray) -> float:
    """The pitch of a windowed frame if its autocorrelation (that of the window taken out, as
    in Boersma 1993) has a clear peak and its harmonics are those of one voice; else 0 Hz."""
    correlation = np.fft.irfft(np.abs(np.fft.rfft(frame, 2 * WINDOW)) ** 2)[: WINDOW // 2]
    clarity = correlation / (correlation[0] + 1e-30) / window_correlation()
    first = int(np.argmax(clarity < 0.0))
    peak = first + int(np.argmax(clarity[first:]))
    if first == 0 or clarity[peak] < CLEAR:
        return 0.0
    early = first + int(np.argmax(clarity[first:] > 0.97 * clarity[peak]))
    while early + 1 < len(clarity) and clarity[early + 1] > clarity[early]:
        early += 1
    found_hz = RATE_HZ / early
    return 0.0 if common_factor(power, hz, found_hz) == 1 else found_hz


@cache
def window_correlation() -> FloatArray:
    """Autocorrelation of the Hann window, 1 at lag 0, for lags up to half of it."""
    weights = np.hanning(WINDOW + 2)[1:-1]
    correlation = np.fft.irfft(np.abs(np.fft.rfft(weights, 2 * WINDOW)) ** 2)[: WINDOW // 2]
    part: FloatArray = correlation / correlation[0]
    return part


def near_harmonic(hz: FloatArray, f0_hz: float) -> NDArray[np.bool_]:
    """Bins that a harmonic of `f0_hz` can reach, a little vibrato included."""
    harmonic = np.maximum(np.rint(hz / f0_hz), 1.0) * f0_hz
    width = np.minimum(np.maximum(2.6 * RATE_HZ / WINDOW, 0.03 * hz), 0.3 * f0_hz)
    near: NDArray[np.bool_] = np.abs(hz - harmonic) < width
    return near


def common_factor(power: FloatArray, hz: FloatArray, f0_hz: float) -> int:
    """What the strong ones of the first harmonics have in common (see `Look.common`)."""
    levels = np.zeros(N_HARMONICS)
    for k in range(1, N_HARMONICS + 1):
        width = min(max(2.6 * RATE_HZ / WINDOW, 0.03 * k * f0_hz), 0.3 * f0_hz)
        levels[k - 1] = power[np.abs(hz - k * f0_hz) < width].sum()
    strong = np.flatnonzero(gain_to_db(np.sqrt(levels / (levels.max() + 1e-30))) > ABSENT_DB) + 1
    highest = int(strong[-1])
    absent = highest - len(strong)
    if strong[0] == 1 or absent < 2 or len(strong) < 2:
        return 0
    return gcd(*(int(k) for k in strong))


def more_voices(looks: list[Look], *, limit_db: float = BETWEEN_DB) -> list[str]:
    """A warning if the looks speak for more than one voice at once."""
    if len(looks) < FEWEST_FRAMES:
        return []
    steady = [look for look in looks if look.between_db is not None]
    unclear = float(np.mean([look.tonal and not look.sure for look in looks]))
    missing = between_db = -np.inf
    if len(steady) >= FEWEST_FRAMES:
        missing = float(np.mean([look.common == 1 for look in steady]))
        alien = [b for look in steady if (b := look.between_db) is not None and not lower(look)]
        if len(alien) >= max(FEWEST_FRAMES, len(steady) // 2):
            between_db = float(np.percentile(alien, 80))
    if unclear > UNCLEAR_LIMIT or missing > MISSING_LIMIT or between_db > limit_db:
        return [
            "more than one voice or instrument seems to sound at once; pitch is only followed "
            "in a solo stem, so check the notes, or give the stem the role mix or backing"
        ]
    return []


def lower(look: Look) -> bool:
    """True when what lies between the harmonics belongs to a lower pitch of the same voice."""
    if look.between_db is None or look.below_db is None:
        return False
    return look.between_db > BETWEEN_DB and look.below_db > look.between_db - 1.0


def out_of_range(looks: list[Look], track: PitchTrack) -> list[str]:
    """Warnings if the voice seems to lie above or below what the tracker was told to search."""
    if len(looks) < FEWEST_FRAMES:
        return []
    found = []
    steady = [look for look in looks if look.between_db is not None]
    if len(steady) >= FEWEST_FRAMES and (
        np.mean([look.common > 1 for look in steady]) > MISSING_LIMIT
    ):
        found.append(
            "the pitch found lies an octave or more below what sounds; the melody seems to go "
            "above the range that was searched"
        )
    voiced_hz = track.f0_hz[np.isfinite(track.f0_hz)]
    lowest_hz = float(np.percentile(voiced_hz, 2)) if len(voiced_hz) else np.inf
    hidden = [0 < look.hidden_hz < 0.97 * lowest_hz or lower(look) for look in looks]
    if np.mean(hidden) > HIDDEN_LIMIT:
        found.append(
            "a pitch lower than any that was found sounds; the melody seems to go below the "
            "range that was searched"
        )
    return found


def reverberant(energy_db: FloatArray, *, hop_s: float) -> list[str]:
    """A warning if even the fastest falls of level are slow, as in a reverberant room."""
    rates = fall_rates(energy_db, hop_s=hop_s)
    if len(rates) < FEWEST_FALLS or np.percentile(rates, 75) > SLOW_DB_PER_S:
        return []
    return [
        "strong reverb: the sound dies away slowly, so the ends of notes are in doubt and tails "
        "keep their old pitch; a dry stem works better"
    ]


def fall_rates(energy_db: FloatArray, *, hop_s: float) -> FloatArray:
    """Rates in dB/s of the falls of level by 8 dB and more, from 3 dB below where each starts."""
    if not len(energy_db) or hop_s <= 0:
        return np.zeros(0)
    width = max(round(SMOOTH_S / hop_s), 1) | 1
    padded = np.pad(np.maximum(energy_db, -120.0), width // 2, mode="edge")
    energy_db = np.convolve(padded, np.ones(width) / width, mode="valid")
    floor_db = float(np.percentile(energy_db, 95)) - 50.0
    rates, i, n = [], 0, len(energy_db)
    while i < n - 1:
        j = i
        while j < n - 1 and energy_db[j + 1] < energy_db[j] and energy_db[j + 1] > floor_db:
            j += 1
        drop_db = energy_db[i] - energy_db[j]
        if drop_db >= DECAY_DB:
            first = i + int(np.argmax(energy_db[i : j + 1] < energy_db[i] - 3.0))
            rates.append((energy_db[first] - energy_db[j]) / (max(j - first, 1) * hop_s))
        i = max(j, i + 1)
    return np.array(rates, dtype=np.float64)
