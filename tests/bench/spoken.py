"""Spoken one-syllable words, stretched over the notes of a tune and rendered by WORLD.

Needs festival with the voice named in SPEAKER (Debian: festival, festvox-us-slt-hts).
"""

from __future__ import annotations

import math
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.signal import resample_poly
from voice_controls import FRAME_S, HISS, RATE_HZ, WORDS, Floats, Sung, hertz

SPEAKER = "cmu_us_slt_arctic_hts"
STRONG_DB = 15.0  # the faint ends of a spoken word would break a legato line


def has_speech() -> bool:
    return shutil.which("festival") is not None


def _spoken(word: str) -> Floats:
    import soundfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "word.wav"
        script = (
            f'(begin (voice_{SPEAKER}) (utt.save.wave (SynthText "{word}.") "{path}" (quote riff)))'
        )
        subprocess.run(["festival", "-b", script], check=True, capture_output=True)
        y, rate = soundfile.read(path)
    common = math.gcd(RATE_HZ, rate)
    y = resample_poly(y, RATE_HZ // common, rate // common)
    return np.asarray(y + 1e-5 * np.random.default_rng(0).standard_normal(len(y)))


@dataclass(frozen=True, eq=False)
class Speech:
    """What WORLD needs besides f0, every FRAME_S."""

    envelope: Floats
    noise: Floats
    voiced: NDArray[np.bool_]


def _analysed(word: str, size: int) -> tuple[Floats, Floats, Floats]:
    """f0, envelope and noise of a spoken word, silence cut off."""
    import pyworld

    y = _spoken(word)
    f0, at = pyworld.harvest(y, RATE_HZ, f0_floor=80, f0_ceil=400, frame_period=FRAME_S * 1000)
    envelope = pyworld.cheaptrick(y, f0, at, RATE_HZ, fft_size=size)
    noise = pyworld.d4c(y, f0, at, RATE_HZ, fft_size=size)
    level = 10 * np.log10(envelope.mean(axis=1))
    heard = np.flatnonzero(level > level.max() - 40)
    part = slice(heard[0], heard[-1] + 1)
    return f0[part], envelope[part], noise[part]


def placed(length: int, first: int, stop: int, consonant: int, *, edge: int = 14) -> Floats:
    """Source frame for each frame of a note: consonant and ends as spoken, vowel stretched."""
    voiced = length - consonant
    edge = min(edge, voiced // 3, (stop - first) // 3)
    return np.concatenate([
        np.arange(first - consonant, first + edge, dtype=np.float64),
        np.linspace(first + edge, stop - edge - 1, voiced - 2 * edge),
        np.arange(stop - edge, stop, dtype=np.float64),
    ])  # fmt: skip


def sung_speech(notes: tuple[Sung, ...], n: int) -> Speech:
    """Spoken words laid out over the notes of a tune."""
    import pyworld

    size = pyworld.get_cheaptrick_fft_size(RATE_HZ, 71.0)
    envelope, noise = np.full((n, size // 2 + 1), 1e-12), np.ones((n, size // 2 + 1))
    voiced = np.zeros(n, dtype=bool)
    words = {word: _analysed(word, size) for word in {note.word for note in notes}}
    for i, note in enumerate(notes):
        f0, spoken, breath = words[note.word]
        turns = np.flatnonzero(np.diff(np.concatenate([[0], f0 > 0, [0]])))
        first, stop = max(turns.reshape(-1, 2), key=lambda run: run[1] - run[0])
        level = 10 * np.log10(spoken[first:stop].sum(axis=1))
        strong = np.flatnonzero(level > level.max() - STRONG_DB)
        first, stop = first + strong[0], first + strong[-1] + 1
        a, b = round(note.start_s / FRAME_S), round(note.end_s / FRAME_S)
        hissing = WORDS[note.word][0] in HISS
        consonant = min(int(first), (b - a) // 3) if hissing else 0
        place = placed(b - a, int(first), int(stop), consonant)
        low = np.clip(place.astype(int), 0, len(f0) - 2)
        part = np.clip(place - low, 0, 1)[:, None]
        shape = np.exp(
            (1 - part) * np.log(spoken[low] + 1e-16) + part * np.log(spoken[low + 1] + 1e-16)
        )
        shape *= 10.0 / shape[(b - a) // 2].sum()
        if not (i + 1 < len(notes) and notes[i + 1].legato):
            k = min(14, (b - a) // 3)
            shape[-k:] *= np.linspace(1, 0.003, k)[:, None] ** 2
        envelope[a:b] = shape
        noise[a:b] = (1 - part) * breath[low] + part * breath[low + 1]
        voiced[a + consonant : b] = True
    for note in notes:
        b = round(note.start_s / FRAME_S)
        if note.legato and voiced[b]:
            mix = np.linspace(0, 1, 8)[:, None]
            envelope[b - 4 : b + 4] = np.exp(
                (1 - mix) * np.log(envelope[b - 5]) + mix * np.log(envelope[b + 4])
            )
    return Speech(envelope, noise, voiced)


def render_speech(speech: Speech, cents: Floats, *, lead: int = 0) -> Floats:
    """WORLD synthesis; `lead` frames before the start give other pulses and other noise."""
    import pyworld

    f0 = np.where(speech.voiced, hertz(cents), 0.0)
    envelope, noise = speech.envelope, speech.noise
    if lead:
        f0 = np.concatenate([np.full(lead, 1.013 * f0[speech.voiced][0]), f0])
        envelope = np.vstack([np.repeat(envelope[:1], lead, 0), envelope])
        noise = np.vstack([np.repeat(noise[:1], lead, 0), noise])
    y = pyworld.synthesize(
        f0, np.ascontiguousarray(envelope), np.ascontiguousarray(noise), RATE_HZ, FRAME_S * 1000
    )
    return np.asarray(y[int(lead * FRAME_S * RATE_HZ) :])
