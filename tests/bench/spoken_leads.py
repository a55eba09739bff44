"""Voices to teach on that are nearer to a person's than `voices` makes: speech, sung.

Sentences spoken by free voices that were built from recorded speech are taken apart by WORLD
(Morise, Yokomori & Ozawa 2016, IEICE Trans. E99-D 1877-1884) into pitch, envelope and noise; their
syllables are laid out over a tune, vowels stretched, other throats made by warping the envelope,
and rendered with the pitch, the scoops and the vibrato of a singer by lot. The pitch is exact.
Needs pyworld and flite, whose own voices these are (Debian: flite).
"""

from __future__ import annotations

import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import resample_poly
from spoken import placed
from voices import CONTROL_S, VOICED_LEVEL, Singer, Sung, contour, smooth_noise

Floats = NDArray[np.float64]
Rng = np.random.Generator
RATE_HZ = 22050
FRAME_S = 0.005
PER_FRAME = round(FRAME_S / CONTROL_S)
FFT_SIZE = 1024
SPEAKERS = ("rms", "slt", "kal16")
HELD_OUT = "awb"  # to measure with
SENTENCES = (
    "Low over the water the evening leans on the meadow.",
    "Hush now, the barley is silver and the owls are awake.",
    "My little boat goes round, round by the willow and home.",
    "Who will carry the moon to the window tonight?",
    "Slowly, slowly the lanterns go down to the river.",
    "Warm is the wool, and the rain is a long way away.",
    "Five geese in a row, and a fox who is fond of the view.",
    "Give me your hand, we shall wander until it is morning.",
    "The old mill turns and the flour is fine as the snow.",
    "Nobody knows where the cuckoo has hidden her shoes.",
)
LONGEST_S, SHORTEST_S = 0.4, 0.07
ALL_NOISE = 0.9
EDGE = 10  # frames at each end of a syllable that are not stretched
STRONG_DB = 15.0  # the faint ends of a spoken syllable would break a held vowel


@dataclass(frozen=True, eq=False)
class Syllable:
    """Envelope and noise (n_frames, n_bins), and the consonant frames that come before."""

    envelope: Floats
    noise: Floats
    n_before: int


def spoken(speaker: str, text: str) -> Floats:
    """A sentence by one of flite's voices."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "said.wav"
        command = ["flite", "-voice", speaker, "-t", text, "-o", str(path)]
        subprocess.run(command, check=True, capture_output=True)
        y, rate_hz = soundfile.read(path)
    return np.asarray(resample_poly(y, RATE_HZ, rate_hz), dtype=np.float64)


@cache
def syllables(speaker: str, sentences: tuple[str, ...] = SENTENCES) -> tuple[Syllable, ...]:
    """What one speaker says, cut into stretches that can be sung."""
    import pyworld

    found: list[Syllable] = []
    for text in sentences:
        y = spoken(speaker, text)
        y = y + 1e-5 * np.random.default_rng(0).standard_normal(len(y))
        f0, at_s = pyworld.harvest(y, RATE_HZ, f0_floor=70, f0_ceil=400)
        envelope = pyworld.cheaptrick(y, f0, at_s, RATE_HZ, fft_size=FFT_SIZE)
        noise = pyworld.d4c(y, f0, at_s, RATE_HZ, fft_size=FFT_SIZE)
        voiced = (f0 > 0) & (noise.mean(axis=1) < ALL_NOISE)
        ends = np.flatnonzero(np.diff(np.concatenate([[0], voiced, [0]]))).reshape(-1, 2)
        last = 0
        for first, stop in ends:
            found += _parts(envelope, noise, int(first), int(stop), last)
            last = int(stop)
    return tuple(found)


def _parts(envelope: Floats, noise: Floats, first: int, stop: int, last: int) -> list[Syllable]:
    """A voiced stretch, cut at its softest places into parts that are short enough."""
    if (stop - first) * FRAME_S < SHORTEST_S:
        return []
    level = 10 * np.log10(envelope[first:stop].sum(axis=1))
    if (stop - first) * FRAME_S > LONGEST_S:
        third = (stop - first) // 3
        cut = first + third + int(np.argmin(level[third:-third]))
        return [
            *_parts(envelope, noise, first, cut, last),
            *_parts(envelope, noise, cut, stop, cut),
        ]
    strong = np.flatnonzero(level > level.max() - STRONG_DB)
    begin, end = first + int(strong[0]), first + int(strong[-1]) + 1
    before = min(begin - last, round(0.1 / FRAME_S))
    part = slice(begin - before, end)
    scale = envelope[begin:end].sum(axis=1).max()
    return [Syllable(envelope[part] / scale, noise[part], before)]


def warped(envelope: Floats, ratio: float) -> Floats:
    """Every formant `ratio` times higher."""
    place = np.arange(envelope.shape[1]) / ratio
    low = np.minimum(place.astype(int), envelope.shape[1] - 2)
    part = np.clip(place - low, 0, 1)
    return np.exp((1 - part) * np.log(envelope[:, low]) + part * np.log(envelope[:, low + 1]))


def sing_words(singer: Singer, spans: Sequence[dict[str, object]], speaker: str, rng: Rng) -> Sung:
    """`spans`, as `voices.plan_notes` makes them, with words; peak 0.5."""
    midi, level, _, _ = contour(list(spans), singer, rng)
    midi, level = midi[::PER_FRAME], level[::PER_FRAME]
    n = len(midi)
    envelope, noise = np.full((n, FFT_SIZE // 2 + 1), 1e-12), np.ones((n, FFT_SIZE // 2 + 1))
    known, ratio = syllables(speaker), singer.tract / (1.15 if speaker == "slt" else 1.0)
    loud = np.zeros(n)
    for k, span in enumerate(spans):
        a, b = (round(float(span[end]) / FRAME_S) for end in ("from", "to"))  # type: ignore[arg-type]
        b = min(b, n)
        picked = known[rng.integers(len(known))]
        before = min(picked.n_before, a) if span["link"] in ("unvoiced", "rest") else 0
        n_picked = len(picked.envelope)
        place = placed(before + b - a, picked.n_before, n_picked, before, edge=EDGE)
        low = np.minimum(place.astype(int), n_picked - 1)
        gain = 10 ** (rng.normal(0, 2.0) / 10)
        envelope[a - before : b] = gain * warped(picked.envelope, ratio)[low]
        noise[a - before : b] = picked.noise[low]
        loud[a - before : a] = 1.0
        parted = k + 1 == len(spans) or spans[k + 1]["link"] in ("unvoiced", "rest")
        loud[a:b] = level[a:b]
        if parted:
            fall = min(round(rng.uniform(0.03, 0.3) / FRAME_S), (b - a) // 2)
            loud[b - fall : b] *= np.linspace(1, 0.02, fall)
            drop = rng.choice([0, 0, -1]) * rng.uniform(0.5, 4)
            midi[b - fall // 2 : b] += drop * np.linspace(0, 1, fall // 2)
        elif a:
            _join(envelope, a)
    envelope *= (np.maximum(loud, 1e-4) ** 2)[:, None]
    envelope *= _tilt(rng)
    return _rendered(midi, loud, envelope, noise, singer.jitter, rng)


def _rendered(
    midi: Floats, loud: Floats, envelope: Floats, noise: Floats, jitter: float, rng: Rng
) -> Sung:
    """The voice, and its pitch where it is loud enough to count as voiced."""
    import pyworld

    sung_hz = 440.0 * 2.0 ** ((midi - 69.0) / 12.0)
    voiced = np.isfinite(midi) & (loud >= VOICED_LEVEL)
    wobble = 1.0 + jitter * smooth_noise(rng, len(midi), 0.006)
    source = np.where(np.isfinite(midi) & (loud > 0.01), sung_hz * wobble, 0.0)
    samples = pyworld.synthesize(
        np.ascontiguousarray(source), np.ascontiguousarray(envelope),
        np.ascontiguousarray(noise), RATE_HZ, FRAME_S * 1000,
    )  # fmt: skip
    samples = samples + 10 ** (-75 / 20) * np.abs(samples).max() * rng.standard_normal(len(samples))
    f0_hz = np.repeat(np.where(voiced, sung_hz, np.nan), PER_FRAME)
    time_s = np.arange(len(f0_hz)) * CONTROL_S
    return Sung(0.5 * samples / np.abs(samples).max(), RATE_HZ, time_s, f0_hz)


def _join(envelope: Floats, at: int) -> None:
    """Let one syllable pass into the next."""
    if 5 <= at < len(envelope) - 5:
        mix = np.linspace(0, 1, 10)[:, None]
        ends = np.log(envelope[at - 5]), np.log(envelope[at + 4])
        envelope[at - 5 : at + 5] = np.exp((1 - mix) * ends[0] + mix * ends[1])


def _tilt(rng: Rng) -> Floats:
    """A brighter or a darker voice, some with the ring of a singer about 3 kHz (Sundberg 1974,
    J. Acoust. Soc. Am. 55, 838-844)."""
    hz = np.arange(1, FFT_SIZE // 2 + 2) * RATE_HZ / FFT_SIZE
    slope_db = rng.normal(0, 3) * np.log2(np.maximum(hz, 200) / 500)
    ring_db = (rng.random() < 0.4) * rng.uniform(3, 14)
    centre = rng.uniform(2400, 3400)
    return 10 ** ((slope_db + ring_db * np.exp(-(((hz - centre) / 450) ** 2))) / 10)
