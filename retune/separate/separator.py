"""The voice in a mix by a separator that the user installs.

That is demucs (Defossez 2021, "Hybrid Spectrogram and Waveform Source Separation"; Rouard, Massa
and Defossez 2023, "Hybrid Transformers for Music Source Separation"; MIT), asked by its documented
`demucs.api.Separator`. A mix goes through it in blocks that overlap, so that memory does not grow
with its length. Its random shifts are left out: the same mix gives the same voice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from retune.carriers.errors import UsageError
from retune.carriers.heard import AudioLike, Samples
from retune.carriers.install import how_to_add

Part = Callable[[Samples, int], Samples]
"""The voice in some samples (n, n_channels) at a rate in Hz; of the same shape."""
VOICE = "vocals"  # what demucs calls it
BLOCK_S, MARGIN_S, FADE_S = 30.0, 4.0, 0.5


def parted(mix: AudioLike, part: Part) -> Iterator[Samples]:
    """The voice in `mix` in blocks, float32 (n, n_channels), as long as the mix in all.

    Each block is heard with `MARGIN_S` on both sides of it, and fades into the next.
    """
    rate_hz, n = mix.rate_hz, mix.n_samples
    margin, half = round(MARGIN_S * rate_hz), round(FADE_S * rate_hz / 2)
    n_blocks = max(round(n / (BLOCK_S * rate_hz)), 1)
    edges = [round(n * k / n_blocks) for k in range(n_blocks + 1)]
    ramp = ((np.arange(2 * half, dtype=np.float32) + 0.5) / (2 * half))[:, None]
    tail = None
    for first, last in pairwise(edges):
        start = max(first - margin, 0)
        voice = part(mix.read(start, min(last + margin, n)), rate_hz)
        begin = first if tail is None else first - half
        end = last if last == n else last - half
        block = np.array(voice[begin - start : end - start], dtype=np.float32)
        if tail is not None:
            block[: 2 * half] = tail * (1 - ramp) + block[: 2 * half] * ramp
        tail = voice[last - half - start : last + half - start]
        yield block


def demucs_part(model: str, *, models: str | Path | None = None) -> Part:
    """The voice by demucs.

    `models` is a folder with the files of `model` as demucs keeps them; without it demucs looks
    among those that it has fetched before, and else fetches the model over the network. Such files
    may hold code that runs when they are opened: they must come from somebody who is trusted.

    Raises
    ------
    UsageError
        demucs is not installed, the model cannot be loaded, or it finds no voice.
    """
    try:
        from demucs.api import Separator
    except ImportError:
        raise UsageError(
            f"demucs is not installed: {how_to_add('separate')}, or leave --separator out"
        ) from None
    try:
        separator = Separator(model, repo=None if models is None else Path(models), shifts=0)
    except (Exception, SystemExit) as error:  # whatever reading a stranger's file raises
        where = "" if models is None else f" from {models}"
        raise UsageError(f"demucs cannot load the model {model}{where}: {error}") from error
    if VOICE not in separator.model.sources:
        raise UsageError(
            f'the model {model} finds {", ".join(separator.model.sources)}, and no "{VOICE}"; '
            "name another with --model"
        )
    return lambda samples, rate_hz: _asked(separator, samples, rate_hz)


def _asked(separator: Any, samples: Samples, rate_hz: int) -> Samples:
    """The voice in `samples` at the rate and with the channels that the model takes, and back."""
    import torch

    taken = _with_channels(samples, separator.audio_channels)
    taken = _at_rate(taken, rate_hz, separator.samplerate)
    _, found = separator.separate_tensor(torch.from_numpy(np.ascontiguousarray(taken.T)))
    voice = _at_rate(found[VOICE].cpu().numpy().T, separator.samplerate, rate_hz)
    voice = np.pad(voice, ((0, max(len(samples) - len(voice), 0)), (0, 0)))[: len(samples)]
    return _with_channels(voice, samples.shape[1])


def _with_channels(samples: Samples, n_channels: int) -> Samples:
    if samples.shape[1] == n_channels:
        return samples
    return np.repeat(samples.mean(axis=1, keepdims=True), n_channels, axis=1)


def _at_rate(samples: Samples, from_hz: int, to_hz: int) -> Samples:
    if from_hz == to_hz:
        return samples
    import soxr

    return np.asarray(soxr.resample(np.ascontiguousarray(samples), from_hz, to_hz), np.float32)
