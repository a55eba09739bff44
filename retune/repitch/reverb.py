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

from retune.carriers.heard import FloatArray
from retune.repitch.frames import frames_of, hann, laid_over, power_of

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
    from scipy.fft import irfft
    from scipy.ndimage import uniform_filter1d

    if len(rest) < 2:
        return np.zeros_like(rest)
    size = HOPS * round(FRAME_S * rate_hz / HOPS)
    top = slice(int(TOP_HZ * size / rate_hz))
    sounds = np.concatenate([rest, lifted[:1]]).astype(np.float32)
    spectra = frames_of(sounds, size=size, hops=HOPS)
    found, voice = spectra[:2], spectra[2, :, top]
    power = power_of(found[..., top])
    hop_s = size / HOPS / rate_hz
    usual = uniform_filter1d(power, round(LONG_S / hop_s), axis=1)
    left = decayed(power_of(voice), hop_s=hop_s)
    room = amount(power[1], left) * left
    found[..., top] *= np.minimum(room / np.maximum(usual, 1e-20), 1.0)
    found[..., top.stop :] = 0
    # The sound whose spectra are nearest to these (Griffin & Lim 1984, IEEE Trans. ASSP 32,
    # 236-243); squared Hann windows a quarter of their length apart add up to 3/2.
    made = irfft(found, n=size, axis=2) * hann(size).astype(np.float32) / 1.5
    return laid_over(made, hops=HOPS, length=rest.shape[1]).astype(np.float64)


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
