"""The voice in a mix as a sound that can be read anywhere, estimated where it is read.

Frames of about 93 ms, a quarter apart, go through the networks (`retune.separate.unet`) in blocks;
what a network is told beyond a block's edges is thrown away, so that no seam is heard. The share of
the voice in each bin, times the mix, is the voice: nothing is made that was not in the mix. Above
11 kHz, where the networks do not look, it is silent.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from retune.carriers.heard import AudioLike, Samples
from retune.separate import unet
from retune.sound.netlayers import Floats

TAUGHT_HZ, TAUGHT_HOP = 44100, 1024
OVERLAP = 4
MARGIN = 16  # frames at each edge of a block that are not kept
KEPT = unet.N_FRAMES - 2 * MARGIN
FULL = 65535
KEPT_BLOCKS = 4  # of shares in memory, 2 MB a channel each
# The networks hear best what is as loud as records are: a tenth as loud costs 2 to 7 dB.
USUAL_RMS = 0.1
GATE = 0.1
WINDOWS, WINDOW_S = 64, 1.0

Shares = NDArray[np.uint16]
"""The voice's share of each bin of a block, (KEPT, n_bins, n_channels), FULL for all of it."""
ShareOf = Callable[[int], Shares]


def hop_of(rate_hz: int) -> int:
    """Samples from frame to frame, so that bins and frames lie as the networks were taught."""
    return round(TAUGHT_HOP * rate_hz / TAUGHT_HZ)


def n_bins_of(rate_hz: int) -> int:
    """How many bins the networks look at."""
    return min(unet.N_BINS, OVERLAP * hop_of(rate_hz) // 2)


def n_blocks_of(audio: AudioLike) -> int:
    """How many blocks an estimate of a whole sound has."""
    return audio.n_samples // hop_of(audio.rate_hz) // KEPT + 1


def spectra(audio: AudioLike, first: int, last: int) -> NDArray[np.complex64]:
    """Frames [first, last) of a sound, (n_frames, n_bins, n_channels); frame k is centred on
    sample k * hop, silence beyond the ends."""
    from scipy.fft import rfft

    hop = hop_of(audio.rate_hz)
    start, stop = (first - OVERLAP // 2) * hop, (last - 1 + OVERLAP // 2) * hop
    read = audio.read(max(start, 0), max(stop, 0))
    before = max(-start, 0)
    padded = np.pad(read, ((before, max(stop - start - before - len(read), 0)), (0, 0)))
    frames = np.lib.stride_tricks.sliding_window_view(padded, OVERLAP * hop, axis=0)[::hop]
    return np.asarray(rfft(frames * _window(hop), axis=2).transpose(0, 2, 1), np.complex64)


@lru_cache(maxsize=4)
def _window(hop: int) -> Floats:
    size = OVERLAP * hop
    return (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(size) / size)).astype(np.float32)


def usual_gain(audio: AudioLike) -> float:
    """What brings a sound to the level at which the networks hear best, told from at most 64
    seconds spread over it; what is much softer than the rest does not count."""
    size = min(round(WINDOW_S * audio.rate_hz), audio.n_samples)
    n = min(WINDOWS, max(audio.n_samples // max(size, 1), 1))
    starts = np.linspace(0, audio.n_samples - size, n).astype(int)
    power = np.array(
        [np.mean(np.square(audio.read(s, s + size), dtype=np.float64)) for s in starts]
    )
    loud = power[power >= GATE * power.mean()]
    rms = float(np.sqrt(loud.mean())) if len(loud) else 0.0
    return USUAL_RMS / rms if rms > 1e-6 else 1.0


def shares_in(audio: AudioLike, block: int, *, gain: float) -> Shares:
    """The voice's share of the bins of one block of a mix, brought up by `usual_gain`: the
    networks at work."""
    first = block * KEPT - MARGIN
    seen = spectra(audio, first, first + unet.N_FRAMES)[:, : n_bins_of(audio.rate_hz)]
    magnitudes = np.abs(seen) * np.float32(gain * TAUGHT_HOP / hop_of(audio.rate_hz))
    share = unet.voice_share(np.repeat(magnitudes, 3 - seen.shape[2], axis=2))
    kept = share[MARGIN : MARGIN + KEPT]
    if seen.shape[2] == 1:
        kept = kept.mean(axis=2, keepdims=True)
    return np.asarray(np.round(kept * FULL), dtype=np.uint16)


@dataclass(frozen=True, eq=False)
class VoiceEstimate:
    """The voice in `mix`, an `AudioLike` as long as it; `share_of` gives the shares of a block."""

    mix: AudioLike
    share_of: ShareOf
    _kept: ShareOf = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_kept", lru_cache(maxsize=KEPT_BLOCKS)(self.share_of))

    @property
    def rate_hz(self) -> int:
        return self.mix.rate_hz

    @property
    def n_samples(self) -> int:
        return self.mix.n_samples

    @property
    def n_channels(self) -> int:
        return self.mix.n_channels

    def read(self, start: int = 0, stop: int | None = None) -> Samples:
        """Samples [start, stop) of the voice, float32 (n, n_channels); clipped to what exists."""
        start, stop = max(start, 0), min(self.n_samples if stop is None else stop, self.n_samples)
        pieces = [np.zeros((0, self.n_channels), np.float32)]
        size = KEPT * hop_of(self.rate_hz)
        for first in range(start, stop, size):
            pieces.append(self._read(first, min(first + size, stop)))
        return np.concatenate(pieces)

    def _read(self, start: int, stop: int) -> Samples:
        from scipy.fft import irfft

        hop, half = hop_of(self.rate_hz), OVERLAP // 2
        first, last = max(start // hop - half, 0), stop // hop + half + 1
        seen = spectra(self.mix, first, last)
        share = self.shares(first, last)
        seen[:, : share.shape[1]] *= share
        seen[:, share.shape[1] :] = 0
        made = irfft(seen, n=OVERLAP * hop, axis=1).astype(np.float32)
        # Squared Hann windows a quarter of their length apart add up to 3 / 2.
        made *= (_window(hop) / np.float32(1.5))[:, None]
        out = np.zeros(((last - first + OVERLAP - 1) * hop, self.n_channels), np.float32)
        for k in range(last - first):
            out[k * hop : (k + OVERLAP) * hop] += made[k]
        skip = start - (first - half) * hop
        return out[skip : skip + stop - start]

    def shares(self, first: int, last: int) -> Floats:
        """The voice's share of the bins of frames [first, last), (n_frames, n_bins, n_channels)."""
        parts = []
        for block in range(first // KEPT, (last - 1) // KEPT + 1):
            begin = block * KEPT
            here = slice(max(first - begin, 0), min(last - begin, KEPT))
            parts.append(self._kept(block)[here].astype(np.float32) / np.float32(FULL))
        return np.concatenate(parts)


@dataclass(frozen=True, eq=False)
class Without:
    """`mix` without `part`, both of one length: an `AudioLike`."""

    mix: AudioLike
    part: AudioLike

    @property
    def rate_hz(self) -> int:
        return self.mix.rate_hz

    @property
    def n_samples(self) -> int:
        return self.mix.n_samples

    @property
    def n_channels(self) -> int:
        return self.mix.n_channels

    def read(self, start: int = 0, stop: int | None = None) -> Samples:
        """Samples [start, stop) of what is left, float32 (n, n_channels)."""
        return np.asarray(self.mix.read(start, stop) - self.part.read(start, stop))


def estimate_voice(mix: AudioLike, share_of: ShareOf | None = None) -> VoiceEstimate:
    """The voice in a mix, worked out where it is read; `share_of` may recall blocks made before
    (`shares_in`)."""
    if share_of is None:
        gain = usual_gain(mix)
        return VoiceEstimate(mix, lambda block: shares_in(mix, block, gain=gain))
    return VoiceEstimate(mix, share_of)
