"""What is heard in each frame of a finished mix: how likely each pitch is the melody's, and how
strong its harmonics are. The file is read block by block."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np

from retune.carriers.heard import AudioLike, FloatArray
from retune.sound.netlayers import Floats
from retune.track import melody_net
from retune.track.melody_net import GRID_HZ, N_GRID

RATE_HZ = 22050
HOP = 256
WINDOW = 2048
PADDED = 4096
# The network looks at every second frame; between them its answer is drawn straight.
STRIDE = 2
BLOCK = 1024
LEVEL_HARMONICS = (1, 2, 3, 4, 5, 6)
# A block much softer than what was heard before is not made loud: the hush after a song is one.
LEAST_LOUD = 0.05


@dataclass(frozen=True, eq=False)
class Frames:
    """A stretch of frames: `log_odds` (n_frames, N_PITCHES + 1) as in `melody_net`, and `level_db`
    (n_frames, N_PITCHES) of the harmonics of each pitch in the middle, float16; `share_db` the
    same of an estimated voice re those of its mix, where there is one."""

    log_odds: Floats
    level_db: np.ndarray[tuple[int, ...], np.dtype[np.float16]]
    share_db: np.ndarray[tuple[int, ...], np.dtype[np.float16]] | None = None


def frames_of(audio: AudioLike) -> Iterator[Frames]:
    """The frames of a mix, centred on multiples of HOP at RATE_HZ, in order."""
    margin = STRIDE * melody_net.network().reach
    held, before, loudest = np.zeros((2, 0, N_GRID), np.float32), 0, 0.0
    for part in spectra_of(audio):
        held = np.concatenate([held, part], axis=1)
        while held.shape[1] >= before + BLOCK + margin:
            heard = held[:, : before + BLOCK + margin]
            loudest = max(loudest, loudness(heard))
            yield _listened(heard, slice(before, before + BLOCK), loudest)
            keep_from = max(before + BLOCK - margin, 0)
            held, before = held[:, keep_from:], before + BLOCK - keep_from
    if held.shape[1] > before:
        loudest = max(loudest, loudness(held))
        yield _listened(held, slice(before, held.shape[1]), loudest)


def blended(mix: Iterator[Frames], voice: Iterator[Frames], *, weight: float) -> Iterator[Frames]:
    """What is heard in a mix and, weighed, in the voice in it: frames of equal times. The levels
    are those of the voice."""
    for of_mix, of_voice in zip(mix, voice, strict=True):
        odds = (1 - weight) * of_mix.log_odds + weight * of_voice.log_odds
        yield Frames(odds, of_voice.level_db, of_voice.level_db - of_mix.level_db)


def loudness(magnitudes: Floats) -> float:
    """The usual size of magnitudes (2, n_frames, N_GRID), that of the middle."""
    return float(np.sqrt(np.mean(magnitudes[0].astype(np.float64) ** 2)))


def _listened(magnitudes: Floats, inside: slice, loudest: float) -> Frames:
    loud = max(loudness(magnitudes), LEAST_LOUD * loudest, 1e-6)
    odds = melody_net.log_odds(magnitudes[:, ::STRIDE], loud=loud)
    n = magnitudes.shape[1]
    low = np.arange(n) // STRIDE
    high = np.minimum(low + 1, len(odds) - 1)
    part = ((np.arange(n) % STRIDE) / STRIDE)[:, None].astype(np.float32)
    whole = odds[low] + part * (odds[high] - odds[low])
    teeth = melody_net.at_harmonics(magnitudes[0, inside], LEVEL_HARMONICS)
    level = 10 * np.log10(np.sum((teeth / (WINDOW / 4)) ** 2, axis=0) + 1e-12)
    return Frames(whole[inside], level.astype(np.float16))


def spectra_of(audio: AudioLike) -> Iterator[Floats]:
    """Magnitudes (2, n_frames, N_GRID) of the middle and the side."""
    from scipy.fft import rfft

    window = np.hanning(WINDOW + 1)[:-1].astype(np.float32)
    filters = _filters()
    for stretch in _stretches(audio):
        frames = np.lib.stride_tricks.sliding_window_view(stretch, WINDOW, axis=1)[:, ::HOP]
        bins = np.abs(rfft(frames * window, n=PADDED, axis=2)[:, :, : len(filters)])
        yield bins @ filters


@cache
def _filters() -> Floats:
    """(n_bins, N_GRID): triangles on the grid, none narrower than a bin."""
    bin_hz = RATE_HZ / PADDED
    hz = np.arange(int(float(GRID_HZ[-1]) * 1.04 / bin_hz) + 2) * bin_hz
    half = np.maximum(GRID_HZ * (2.0 ** (1 / melody_net.PER_OCTAVE) - 1), bin_hz)
    rows = np.maximum(1 - np.abs(hz[:, None] - GRID_HZ) / half, 0.0)
    return np.asarray(rows / rows.sum(axis=0), dtype=np.float32)


def _stretches(audio: AudioLike) -> Iterator[Floats]:
    """(2, n) stretches of up to BLOCK frames, each frame centred on a multiple of HOP."""
    held = np.zeros((2, WINDOW // 2), np.float32)
    n_seen = n_done = 0
    step = BLOCK * HOP
    for pair in _channels(audio):
        held = np.concatenate([held, pair.T.astype(np.float32)], axis=1)
        n_seen += len(pair)
        while held.shape[1] >= step + WINDOW - HOP:
            yield held[:, : step + WINDOW - HOP]
            held = held[:, step:]
            n_done += BLOCK
    n_left = 1 + n_seen // HOP - n_done if n_seen else 0
    held = np.concatenate([held, np.zeros((2, WINDOW), np.float32)], axis=1)
    for first in range(0, n_left, BLOCK):
        n_frames = min(BLOCK, n_left - first)
        yield held[:, first * HOP : (first + n_frames - 1) * HOP + WINDOW]


def _channels(audio: AudioLike) -> Iterator[FloatArray]:
    """Middle and side (n, 2) at RATE_HZ, block by block, delay taken out."""
    import soxr

    same = audio.rate_hz == RATE_HZ
    stream = None if same else soxr.ResampleStream(audio.rate_hz, RATE_HZ, 2, dtype="float64")
    size = BLOCK * HOP * 2
    for start in range(0, audio.n_samples, size):
        stop = min(start + size, audio.n_samples)
        x = np.asarray(audio.read(start, stop), np.float64)
        x = np.nan_to_num(x, nan=0.0, posinf=0.0, neginf=0.0)
        pair = np.stack([x.mean(axis=1), 0.5 * (x[:, 0] - x[:, -1])], axis=1)
        if stream is not None:
            pair = stream.resample_chunk(pair, last=stop == audio.n_samples)
        if len(pair):
            yield pair
