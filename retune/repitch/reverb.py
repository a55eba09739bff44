"""What a room makes of a voice in a mix: it lies between the harmonics, and keeps their old pitch.

A voice wavers, and the room still sounds with where it was. That part follows the voice as any
late reverb does, by a decay of its power in each band (Lebart, Boucher & Denbigh 2001, Acustica 87,
359-366); how much of it there is, the side of the mix tells, where a voice in the middle has
nothing else: a low quantile, over where the decayed voice is strong, of what is left there by the
harmonics. That much is then taken from the middle and the side. A dry voice leaves nothing at the
side, nor does a mix whose channels are alike: there nothing is taken.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from retune.core.carriers import FloatArray
from retune.core.netlayers import Floats

Spectra = NDArray[np.complex64]

FRAME_S, HOPS = 0.046, 4
TOP_HZ = 9000.0
# To -60 dB: rooms of 0.4 to 1.6 s differ little in the quarter of a second that counts.
DECAY_S = 0.7
# Where the decayed voice is this strong, this low a quantile is the voice's, since the band adds to
# it. A higher one leaves less of the old pitch and harms the band more: of 0.2, 0.25 and 0.3 the
# highest that keeps that damage at 1.5 dB in bench_mix.py --seed 0 and 20.
STRONG, LOW = 0.95, 0.25
LONG_S = 0.24  # a chord's tone may dip; over this long it is as strong as it is


def reverb_part(rest: FloatArray, lifted: FloatArray, *, rate_hz: int) -> FloatArray:
    """How much of `rest`, a mix without its `lifted` voice, is that voice's reverb; middle and
    side (2, n_samples) all, and nothing where there is but one channel."""
    from scipy.ndimage import uniform_filter1d

    if len(rest) < 2:
        return np.zeros_like(rest)
    size = HOPS * round(FRAME_S * rate_hz / HOPS)
    top = slice(int(TOP_HZ * size / rate_hz))
    spectra = spectra_of(np.concatenate([rest, lifted[:1]]), size)
    found, voice = spectra[:2], spectra[2, :, top]
    power = _power(found[..., top])
    hop_s = size / HOPS / rate_hz
    usual = uniform_filter1d(power, round(LONG_S / hop_s), axis=1)
    left = decayed(_power(voice), hop_s=hop_s)
    room = amount(power[1], left) * left
    found[..., top] *= np.minimum(room / np.maximum(usual, 1e-20), 1.0)
    found[..., top.stop :] = 0
    return sound_of(found, size, rest.shape[1])


def amount(side: FloatArray, left: FloatArray) -> float:
    """Reverb at the side re `left`, the decayed power of the voice; both (n_frames, n_bins)."""
    if not left.any():
        return 0.0
    strong = left >= np.quantile(left[left > 0], STRONG)
    return float(np.quantile(side[strong] / left[strong], LOW))


def decayed(power: FloatArray, *, hop_s: float) -> FloatArray:
    """`power` (n_frames, n_bins) dying away, its sum kept; nothing of the present frame."""
    from scipy.signal import lfilter

    step = 10 ** (-6 * hop_s / DECAY_S)
    return np.asarray(lfilter([0, 1 - step], [1, -step], power, axis=0))


def spectra_of(x: FloatArray, size: int) -> Spectra:
    """Spectra (n_channels, n_frames, n_bins) of Hann frames `size` / HOPS apart; the first frame
    ends where `x` begins, the last lies behind its end."""
    from scipy.fft import rfft

    hop = size // HOPS
    n_frames = (x.shape[1] + size) // hop + 1
    padded = np.pad(x.astype(np.float32), ((0, 0), (size, size + n_frames * hop - x.shape[1])))
    frames = np.lib.stride_tricks.sliding_window_view(padded, size, axis=1)[:, ::hop][:, :n_frames]
    return np.asarray(rfft(frames * _hann(size), axis=2))


def sound_of(spectra: Spectra, size: int, length: int) -> FloatArray:
    """`length` samples of the sound whose spectra, by `spectra_of`, are nearest to these (Griffin
    & Lim 1984, IEEE Trans. ASSP 32, 236-243)."""
    from scipy.fft import irfft

    hop, n_frames = size // HOPS, spectra.shape[1]
    made = irfft(spectra, n=size, axis=2) * _hann(size)
    out = np.zeros((len(spectra), n_frames * hop + size))
    for k in range(n_frames):
        out[:, k * hop : k * hop + size] += made[:, k]
    # Squared Hann windows a quarter of their length apart add up to 3/2.
    return out[:, size : size + length] / 1.5


def _power(spectra: Spectra) -> FloatArray:
    return np.asarray(spectra.real**2 + spectra.imag**2)


def _hann(size: int) -> Floats:
    return (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(size) / size)).astype(np.float32)
