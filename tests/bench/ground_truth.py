"""Sung stems that exist twice: with the pitch as sung, and with some notes at another pitch.

Both are rendered from the same controls, so that a re-pitcher can be judged against what the
voice would have been. Three kinds:

speech   one-syllable words spoken by festival (Debian: festival, festvox-us-slt-hts), stretched
         to the notes and rendered by WORLD; this favours engines that work like WORLD
pulse    glottal pulses (KLGLOTT88: Klatt & Klatt 1990, JASA 87, 820-857) through a cascade of
         formants, with jitter, shimmer, breath and fricatives; four singers
room     a pulse voice with decaying reverberation and room noise
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.signal import butter, fftconvolve, resample_poly, sosfilt
from spoken import Speech, has_speech, render_speech, sung_speech
from voice_controls import (
    FRAME_S,
    HISS,
    RATE_HZ,
    SINGERS,
    VOWELS,
    WORDS,
    Floats,
    Singer,
    Sung,
    hertz,
    pitch_curve,
    tune,
)

__all__ = ["FRAME_S", "RATE_HZ", "SINGERS", "Pair", "Sung", "has_speech", "make_pair"]


# --- glottal pulses and formants ---------------------------------------------------------------


@njit(cache=True)
def _cascade(x, freq, band, rate, hop):  # type: ignore[no-untyped-def]
    n_formants = freq.shape[1]
    one, two, out = np.zeros(n_formants), np.zeros(n_formants), np.zeros(len(x))
    for n in range(len(x)):
        i = min(int(n / hop), freq.shape[0] - 2)
        part = min(n / hop - i, 1.0)
        value = x[n]
        for k in range(n_formants):
            f = (1 - part) * freq[i, k] + part * freq[i + 1, k]
            b = (1 - part) * band[i, k] + part * band[i + 1, k]
            r = math.exp(-math.pi * b / rate)
            c1, c2 = 2 * r * math.cos(2 * math.pi * f / rate), -r * r
            value = (1 - c1 - c2) * value + c1 * one[k] + c2 * two[k]
            two[k], one[k] = one[k], value
        out[n] = value
    return out


def _source(f0_hz: Floats, singer: Singer, phase: float, seed: int) -> tuple[Floats, Floats]:
    """Derivative of the glottal flow and the open share of each moment, at RATE_HZ."""
    rng = np.random.default_rng(seed)
    over = 4
    fine = np.repeat(f0_hz, over)
    count = int(np.sum(fine) / (RATE_HZ * over)) + 64
    jitter = 1 + singer.jitter * rng.standard_normal(count)
    shimmer = 1 + 0.03 * rng.standard_normal(count)
    rough = phase + np.cumsum(fine) / (RATE_HZ * over)
    cycles = phase + np.cumsum(fine * jitter[np.minimum(rough.astype(int), count - 1)]) / (
        RATE_HZ * over
    )
    number = np.minimum(cycles.astype(int), count - 1)
    part = (cycles - np.floor(cycles)) / singer.open_share
    flow = np.where(part < 1, 2 * part - 3 * part**2, 0.0) * shimmer[number]
    flow = resample_poly(flow, 1, over)[: len(f0_hz)]
    opened = np.where(part < 1, np.sin(np.pi * np.minimum(part, 1)), 0.0)[::over]
    return flow - flow.mean(), opened[: len(f0_hz)]


def _articulation(notes: tuple[Sung, ...], n: int, singer: Singer) -> dict[str, Floats]:
    """Formants, widths, voice and hiss every FRAME_S."""
    time_s = np.arange(n) * FRAME_S
    formants = np.full((n, 5), np.nan)
    voice, nasal = np.zeros(n), np.zeros(n)
    hiss = {key: np.zeros(n) for key in HISS}
    for i, note in enumerate(notes):
        consonant, vowel = WORDS[note.word]
        goes_on = i + 1 < len(notes) and notes[i + 1].legato
        inside = (time_s >= note.start_s) & (time_s < note.end_s)
        formants[inside] = VOWELS[vowel]
        begin = note.start_s
        if consonant in HISS:
            hiss[consonant][(time_s >= begin) & (time_s < begin + HISS[consonant][1])] = 1
            begin += HISS[consonant][1] - 0.01
        elif consonant in ("m", "n"):
            nasal[(time_s >= begin) & (time_s < begin + 0.06)] = 1
        voice[(time_s >= begin) & (time_s < note.end_s - (0 if goes_on else 0.03))] = 1
    known = np.isfinite(formants[:, 0])
    for k in range(5):
        formants[:, k] = np.interp(time_s, time_s[known], formants[known, k])
        formants[:, k] = _smooth(formants[:, k], 13) * singer.tract
    nasal = _smooth(nasal, 11)
    formants[:, 0] += nasal * (270 - formants[:, 0])
    formants[:, 1] += nasal * (1250 - formants[:, 1])
    fixed = [np.full(n, width) for width in (120.0, 190.0, 260.0)]
    first = 60 + 0.03 * formants[:, 0] + 60 * nasal
    second = 80 + 0.02 * formants[:, 1] + 100 * nasal
    widths = np.stack([first, second, *fixed], axis=1)
    voice = _smooth(voice, 9) * (1 - 0.5 * nasal)
    return {"formants": formants, "widths": widths, "voice": voice} | {
        k: _smooth(v, 7) for k, v in hiss.items()
    }


def _smooth(values: Floats, width: int) -> Floats:
    kernel = np.hanning(width + 2)[1:-1]
    padded = np.pad(values, width // 2, mode="edge")
    return np.asarray(np.convolve(padded, kernel / kernel.sum(), "valid")[: len(values)])


def render_pulse(
    notes: tuple[Sung, ...], cents: Floats, singer: Singer, *, phase: float = 0.0, seed: int = 11
) -> Floats:
    """A pulse voice at RATE_HZ; another phase and seed give the floor of any measure."""
    n = int((len(cents) - 1) * FRAME_S * RATE_HZ)
    time_s, frames = np.arange(n) / RATE_HZ, np.arange(len(cents)) * FRAME_S
    f0_hz = hertz(np.interp(time_s, frames, cents))
    flow, opened = _source(f0_hz, singer, phase, seed)
    rng = np.random.default_rng(seed + 100)
    breath = rng.standard_normal(n) * singer.breath * (0.25 + opened)
    parts = _articulation(notes, len(cents), singer)
    voice = np.interp(time_s, frames, parts["voice"])
    sung = _cascade(
        (flow + breath) * voice, parts["formants"], parts["widths"], RATE_HZ, FRAME_S * RATE_HZ
    )
    sung /= np.sqrt(np.mean(sung[voice > 0.5] ** 2))
    noise = np.random.default_rng(7).standard_normal(n)  # consonants are the same in both versions
    for key, (middle, _) in HISS.items():
        band = butter(2, [0.7 * middle, 1.6 * middle], "bandpass", fs=RATE_HZ, output="sos")
        hiss = np.asarray(sosfilt(band, noise))
        sung += 0.2 * hiss / hiss.std() * np.interp(time_s, frames, parts[key])
    return np.asarray(sung)


def add_room(y: Floats, *, seed: int = 7) -> Floats:
    """Reverberation of 0.35 s, 12 dB under the voice, and noise at -62 dB."""
    rng = np.random.default_rng(seed)
    n = int(0.35 * RATE_HZ)
    tail = rng.standard_normal(n) * np.exp(-6.9 * np.arange(n) / n)
    tail[: int(0.004 * RATE_HZ)] = 0
    tail = np.asarray(sosfilt(butter(1, 6000, fs=RATE_HZ, output="sos"), tail))
    tail *= 0.25 / np.sqrt(np.sum(tail**2))
    tail[0] = 1
    return np.asarray(
        fftconvolve(y, tail)[: len(y)] + 10 ** (-62 / 20) * rng.standard_normal(len(y))
    )


# --- pairs -------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Pair:
    """`original` and `truth` (and `other`, the truth rendered again with other noise and pulses),
    float32 mono at RATE_HZ; cents curves every FRAME_S."""

    name: str
    notes: tuple[Sung, ...]
    shift_cents: float
    original: NDArray[np.float32]
    truth: NDArray[np.float32]
    other: NDArray[np.float32]
    cents: Floats
    cents_truth: Floats


_speech: dict[str, Speech] = {}


def make_pair(singer_name: str, tune_name: str, shift_cents: float) -> Pair:
    """Render one singer and tune, with the marked notes moved by `shift_cents` in the truth."""
    singer = SINGERS[singer_name]
    notes, total_s = tune(tune_name)
    cents = pitch_curve(notes, total_s, singer, 0.0)
    moved = pitch_curve(notes, total_s, singer, shift_cents)
    if singer.kind == "speech":
        if tune_name not in _speech:
            _speech[tune_name] = sung_speech(notes, len(cents))
        speech = _speech[tune_name]
        sounds = [
            render_speech(speech, cents),
            render_speech(speech, moved),
            render_speech(speech, moved, lead=23),
        ]
    else:
        sounds = [render_pulse(notes, cents, singer), render_pulse(notes, moved, singer),
                  render_pulse(notes, moved, singer, phase=0.37, seed=12)]  # fmt: skip
    n = min(len(y) for y in sounds)
    gain = 0.6 / max(float(np.abs(y).max()) for y in sounds)
    sounds = [y[:n] * gain for y in sounds]
    if singer.kind == "room":
        sounds = [add_room(y) for y in sounds]
    else:
        hum = 10 ** (-78 / 20) * np.random.default_rng(1).standard_normal(n)
        sounds = [y + hum for y in sounds]
    original, truth, other = (y.astype(np.float32) for y in sounds)
    return Pair(
        f"{singer_name}-{tune_name}", notes, shift_cents, original, truth, other, cents, moved
    )
