"""Sound as one channel at one rate, a block at a time, so that length never costs memory."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from retune.carriers.heard import AudioLike, FloatArray

READ_SAMPLES = 1 << 16


def mono_blocks(audio: AudioLike, *, rate_hz: int) -> Iterator[FloatArray]:
    """The mean of the channels at `rate_hz`, float64, in blocks of any length.

    Sample 0 of what comes out lies at time 0 of what goes in: the delay of the resampler (soxr
    HQ, linear phase) is taken out. Samples that are not numbers count as silence.
    """
    import soxr

    same = audio.rate_hz == rate_hz
    resampler = None if same else soxr.ResampleStream(audio.rate_hz, rate_hz, 1, dtype="float64")
    for start in range(0, audio.n_samples, READ_SAMPLES):
        stop = min(start + READ_SAMPLES, audio.n_samples)
        block = audio.read(start, stop).mean(axis=1, dtype=np.float64)
        np.nan_to_num(block, copy=False, nan=0.0, posinf=0.0, neginf=0.0)
        if resampler is not None:
            block = resampler.resample_chunk(block, last=stop == audio.n_samples)
        if len(block):
            yield block


def framed_blocks(
    blocks: Iterator[FloatArray], *, window: int, hop: int, batch: int
) -> Iterator[FloatArray]:
    """Stretches of sound that each hold the next `batch` frames (the last may hold fewer).

    Frame t covers `window` samples from `t * hop - window // 2` on; the sound is followed and
    preceded by silence, and there are `1 + n_samples // hop` frames in all.
    """
    held = [np.zeros(window // 2)]
    n_held, n_seen, n_done = window // 2, 0, 0
    need, step = window + (batch - 1) * hop, batch * hop
    for block in blocks:
        held.append(block)
        n_held += len(block)
        n_seen += len(block)
        if n_held < need:
            continue
        joined = np.concatenate(held)
        start = 0
        while len(joined) - start >= need:
            yield joined[start : start + need]
            start += step
            n_done += batch
        held, n_held = [joined[start:]], len(joined) - start
    n_left = 1 + n_seen // hop - n_done if n_seen else 0
    tail = np.concatenate([*held, np.zeros(window)])
    for first in range(0, n_left, batch):
        n_frames = min(batch, n_left - first)
        yield tail[first * hop : first * hop + window + (n_frames - 1) * hop]
