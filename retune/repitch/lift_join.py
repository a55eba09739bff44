"""A voice lifted out of a mix by its harmonics, and the same voice estimated, joined into one.

The lift knows the pitch, and errs where the band plays on the voice's harmonics; the estimate knows
what voices look like, and errs where the band looks so. In each bin of frames of 93 ms a small
network looks at how loud both are re the mix and re one another, and how alike, there and around
it, and says with which weights they and the mix add up to the voice; where both say the same, their
mean is the voice. It was fitted by tests/bench/fit_join.py; tests/bench/bench_joined.py measures it
on singers it was not fitted on.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np

from retune.carriers.heard import FloatArray
from retune.repitch.frames import Spectra, frames_of, hann, laid_over, power_of
from retune.sound.netlayers import Floats, Layer, read_weights

WEIGHTS = Path(__file__).with_name("join_net.npz")
HOPS, FRAME_S = 4, 4096 / 44100
N_BINS = 1024  # up to 11 kHz, where the estimate ends
N_FIGURES = 17
BLOCK = 128  # frames
APART = 0.02  # power of the difference re both: costs .1 dB at 0 dB, wins .4 for a voice alone
TINY, MOST = 1e-6, 4.0  # power re the mix's mean; powers of ten


def joined(
    mix: FloatArray, lifted: FloatArray, estimate: FloatArray, *, rate_hz: int
) -> FloatArray:
    """The voice in `mix` by `lifted` and `estimate`, all (2, n), middle and side, or (1, n); of
    more channels, which the network never saw, the mean."""
    from scipy.fft import irfft

    if len(mix) > 2:
        return np.asarray(0.5 * (lifted + estimate))
    size = HOPS * round(FRAME_S * rate_hz / HOPS)
    pairs = [np.pad(sound, ((0, 2 - len(mix)), (0, 0))) for sound in (mix, lifted, estimate)]
    sounds = np.concatenate(pairs).astype(np.float32)
    whole = frames_of(sounds, size=size, hops=HOPS).reshape(3, 2, -1, size // 2 + 1)
    made = whole[1:].mean(axis=0)
    low = whole[..., :N_BINS]
    weighed = np.sum(weights_of(figures(low)) * low, axis=0)
    made[..., :N_BINS] += _apart(*low[1:]) * (weighed - made[..., :N_BINS])
    # Squared Hann windows a quarter of their length apart add up to 3 / 2.
    frames = irfft(made, n=size, axis=2) * (hann(size) / 1.5).astype(np.float32)
    sound = laid_over(frames, hops=HOPS, length=mix.shape[1])
    return sound[: len(mix)].astype(np.float64)


def figures(spectra: Spectra) -> Floats:
    """What the network is given of mix, lift and estimate (3, 2, n_frames, n_bins), (N_FIGURES,
    n_frames, n_bins): levels re the mix's mean, of lift, estimate and what the lift leaves re the
    mix, and re one another; how alike they are; the side re the middle; the place."""
    mix, lift, estimate = spectra / np.sqrt(np.mean(power_of(spectra[0, 0])) + 1e-20)
    x, a, b, rest = (np.log10(power_of(s) + TINY) for s in (mix, lift, estimate, mix - lift))
    level = (x - x[:1].mean()) / 2
    place = np.broadcast_to(np.arange(x.shape[2]) / N_BINS, x[:1].shape)
    powers = [level, a - x, b - x, rest - x, a - b, x[1:] - x[:1], a[1:] - a[:1]]
    scaled = [np.clip(p, -MOST, MOST) for p in powers]
    found = [*scaled[:5], _alike(lift, estimate), _alike(lift, mix), *scaled[5:], place]
    return np.concatenate(found).astype(np.float32)


def _apart(a: Spectra, b: Spectra) -> FloatArray:
    """0 where two sounds are the same, 1 where they lie so far apart that the network is asked."""
    far = power_of(a - b) / (power_of(a) + power_of(b) + 1e-20)
    return np.clip(far / APART, 0.0, 1.0)


def _alike(a: Spectra, b: Spectra) -> FloatArray:
    """Cosine of the angle between two sounds in each bin."""
    return np.asarray((a * b.conj()).real / (np.sqrt(power_of(a) * power_of(b)) + TINY))


@cache
def network() -> tuple[Layer, ...]:
    """The fitted network."""
    return read_weights(WEIGHTS)[0]


def weights_of(x: Floats) -> Floats:
    """With how much of mix, lift and estimate the voice is made, (3, 2, n_frames, n_bins); in
    blocks, so that a long passage takes no more memory than a phrase."""
    n_frames, reach = x.shape[1], sum(layer.reach for layer in network())
    found = np.empty((6, *x.shape[1:]), np.float32)
    for first in range(0, n_frames, BLOCK):
        start = max(first - reach, 0)
        part = _through(x[:, start : first + BLOCK + reach])
        found[:, first : first + BLOCK] = part[:, first - start :][:, :BLOCK]
    return found.reshape(3, 2, *x.shape[1:])


def _through(x: Floats) -> Floats:
    *hidden, last = network()
    for layer in hidden:
        x = np.maximum(layer.of(x), 0.0)
    return last.of(x)
