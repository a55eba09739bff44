"""Engine `lift`: one voice moved inside a finished mix; approximate, and said to be so.

The mix is warped in time until the voice's pitch stands still, so that its harmonics fall on bins
and everything else is smeared (frames of 12 periods, Hann, an eighth apart). At each harmonic up
to 9 kHz the part that has the very shape of the window, [-1/2, 1, -1/2], is taken out by least
squares, less what the quieter valley beside it says is not voice. Warped back, that is the lifted
voice. It is moved by `psola` and put back: mix + (moved - lifted), so that where nothing moves
not one bit changes. No training, no model of the voice.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from retune.core.carriers import FloatArray, Samples
from retune.repitch import psola
from retune.repitch.seam import FRAME_S, Passage

PERIODS = 12
HOPS = 8
TOP_HZ = 9000.0
SHAPE = np.array([-0.5, 1.0, -0.5])
STILL_CENTS = 1e-6
CONTEXT_S = 0.25
FADE_S = 0.01
VALLEY_REACH = 2
# How far the side channel is believed at least: in full it takes stereo reverb for backing. With
# this much of the voice's power beside the middle, no further (dry .001, in a room .07).
LEAST_SHARE, WIDE = 0.35, 0.04
CLEAR, FEW, QUANTILE, MOST_RATIO = 4.0, 20, 0.35, 8.0


@dataclass(frozen=True, eq=False)
class Warp:
    """A clock that ticks with the voice: `period` even samples a pitch period. `phase` is the
    place in warped samples of each sample of the run, from 0."""

    period: int
    phase: FloatArray

    @property
    def size(self) -> int:
        return int(np.ceil(self.phase[-1])) + 1


def make_warp(hz: FloatArray, *, rate_hz: int) -> Warp:
    """The warp under which the pitch `hz` (one value a sample) stands still."""
    period = 2 * int(np.ceil(0.55 * rate_hz / float(hz.min())))
    phase = np.concatenate([[0.0], np.cumsum(hz[:-1])]) * (period / rate_hz)
    return Warp(period, phase)


def _resample(x: FloatArray, at: FloatArray) -> FloatArray:
    """Quintic splines through `x` (n_channels, n), read at fractional places."""
    from scipy.ndimage import map_coordinates

    return np.stack([map_coordinates(c, at[None], order=5, mode="nearest") for c in x])


def to_warped(x: FloatArray, warp: Warp) -> FloatArray:
    """`x` (n_channels, n) on the voice's clock."""
    at = np.interp(np.arange(warp.size), warp.phase, np.arange(len(warp.phase), dtype=np.float64))
    return _resample(x, at)


def from_warped(y: FloatArray, warp: Warp) -> FloatArray:
    """Back on the ordinary clock."""
    return _resample(y, warp.phase)


def frames_of(y: FloatArray, *, size: int) -> NDArray[np.complex128]:
    """Spectra (n_channels, n_frames, n_bins) of Hann frames `size` / HOPS apart; the first one is
    centred `size` / 2 before the first sample, the last lies behind the end."""
    from scipy.fft import rfft

    hop = size // HOPS
    n_frames = (y.shape[1] + size) // hop + 1
    padded = np.pad(y, ((0, 0), (size, size + n_frames * hop - y.shape[1])))
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(size) / size)
    frames = np.lib.stride_tricks.sliding_window_view(padded, size, axis=1)[:, ::hop][:, :n_frames]
    return np.asarray(rfft(frames * window, axis=2))


def harmonic_part(y: FloatArray, *, period: int, n_harmonics: int) -> FloatArray:
    """What of `y` (n_channels, n), warped, stands on the harmonics of its constant pitch."""
    from scipy.fft import irfft

    size = PERIODS * period
    hop = size // HOPS
    spectra = frames_of(y, size=size)
    n_frames = spectra.shape[1]
    gain = voice_share(spectra, n_harmonics=n_harmonics)
    tooth = teeth(spectra, n_harmonics=n_harmonics)
    part = np.zeros_like(spectra)
    bins = PERIODS * np.arange(1, n_harmonics + 1)
    for offset, weight in zip((-1, 0, 1), SHAPE, strict=True):
        part[:, :, bins + offset] = weight * gain * tooth
    made = irfft(part, n=size, axis=2)
    out = np.zeros((y.shape[0], size + n_frames * hop + size))
    for k in range(n_frames):
        out[:, k * hop : k * hop + size] += made[:, k]
    # Hann windows an eighth of their length apart add up to half their number.
    return out[:, size : size + y.shape[1]] / (HOPS / 2)


def teeth(spectra: NDArray[np.complex128], *, n_harmonics: int) -> NDArray[np.complex128]:
    """Amplitude of each harmonic in each frame, (n_channels, n_frames, n_harmonics)."""
    bins = PERIODS * np.arange(1, n_harmonics + 1)
    found = sum(w * spectra[:, :, bins + k] for k, w in zip((-1, 0, 1), SHAPE, strict=True))
    return np.asarray(found / np.sum(SHAPE**2))


def teeth_and_valleys(
    spectra: NDArray[np.complex128], *, n_harmonics: int
) -> tuple[FloatArray, FloatArray]:
    """Power at each harmonic and in the quieter valley beside it, means of three frames,
    (n_channels, n_frames, n_harmonics)."""
    from scipy.ndimage import uniform_filter1d

    bins = PERIODS * np.arange(1, n_harmonics + 1)
    power = spectra.real**2 + spectra.imag**2
    half = PERIODS // 2
    reach = range(-VALLEY_REACH, VALLEY_REACH + 1)
    below, above = (
        np.mean([power[:, :, bins + side * half + k] for k in reach], axis=0) for side in (-1, 1)
    )
    tooth = np.abs(teeth(spectra, n_harmonics=n_harmonics)) ** 2
    valley = np.minimum(below, above)
    return uniform_filter1d(tooth, 3, axis=1), uniform_filter1d(valley, 3, axis=1)


def backing_power(tooth: FloatArray, valley: FloatArray) -> FloatArray:
    """What of the power at each harmonic is not the voice, (n_channels, n_frames, n_harmonics).

    At least what the valley holds. In the middle of a stereo mix also by the side channel: what
    stands on a harmonic there is mostly a chord that shares it, and the valleys tell how much
    louder the backing is in the middle. But the more of the voice itself is at the sides, as in a
    room, the less they are believed.
    """
    backing = np.array(valley)
    if len(tooth) == 2:
        share = np.clip(1 - (1 - LEAST_SHARE) * _voice_beside(tooth, valley) / WIDE, LEAST_SHARE, 1)
        ratio = min(float(valley[0].sum()) / max(float(valley[1].sum()), 1e-12), MOST_RATIO)
        backing[0] = np.maximum(valley[0], share * ratio * tooth[1])
    return backing


def _voice_beside(tooth: FloatArray, valley: FloatArray) -> float:
    """Side over mid power of the voice: a low quantile over the harmonics that stand out, those
    that no chord shares."""
    clear = tooth[0] > CLEAR * valley[0]
    if clear.sum() < FEW:
        return WIDE
    ratio, weight = (tooth[1] / np.maximum(tooth[0], 1e-20))[clear], np.sqrt(tooth[0][clear])
    order = np.argsort(ratio)
    total = np.cumsum(weight[order])
    return float(ratio[order][np.searchsorted(total, QUANTILE * total[-1])])


def voice_share(spectra: NDArray[np.complex128], *, n_harmonics: int) -> FloatArray:
    """How much of each harmonic is voice, 0 to 1."""
    tooth, valley = teeth_and_valleys(spectra, n_harmonics=n_harmonics)
    backing = backing_power(tooth, valley)
    return np.asarray(np.clip(1 - backing / np.maximum(tooth, 1e-20), 0.0, 1.0))


def mid_and_side(x: FloatArray) -> FloatArray:
    """Middle and side of two channels, (2, n); any other number of channels as it is."""
    return np.stack([0.5 * (x[0] + x[1]), 0.5 * (x[0] - x[1])]) if len(x) == 2 else x


def lift_run(x: FloatArray, hz: FloatArray, *, rate_hz: int, top_hz: float) -> FloatArray:
    """The voice of pitch `hz` (n,) in `x` (n_channels, n), up to `top_hz`."""
    warp = make_warp(hz, rate_hz=rate_hz)
    top = min(top_hz, 0.45 * rate_hz)
    n_harmonics = max(int(top / float(hz.max())), 1)
    n_harmonics = min(n_harmonics, warp.period // 2 - 1)
    pair = mid_and_side(x)
    part = harmonic_part(to_warped(pair, warp), period=warp.period, n_harmonics=n_harmonics)
    back = from_warped(part, warp)
    return np.stack([back[0] + back[1], back[0] - back[1]]) if len(x) == 2 else back


def lift_voiced(
    x: FloatArray,
    f0_hz: FloatArray,
    *,
    rate_hz: int,
    top_hz: float = TOP_HZ,
    wanted: NDArray[np.bool_] | None = None,
) -> FloatArray:
    """The voice that follows `f0_hz` (one value each `FRAME_S`, NaN where it is silent) in `x`,
    (n_channels, n_samples); only the voiced runs in which a frame is `wanted`, if given."""
    voice = np.zeros_like(x)
    frame = FRAME_S * rate_hz
    reach, fade = int(CONTEXT_S * rate_hz), int(FADE_S * rate_hz)
    voiced = np.concatenate([[False], np.isfinite(f0_hz), [False]])
    for start, stop in np.flatnonzero(voiced[1:] != voiced[:-1]).reshape(-1, 2):
        if wanted is not None and not wanted[start:stop].any():
            continue
        a, b = int(max((start - 0.5) * frame, 0)), int(min((stop - 0.5) * frame, x.shape[1]))
        first, last = max(a - reach, 0), min(b + reach, x.shape[1])
        if b - a < fade:
            continue
        place = np.arange(first, last)
        frames = np.clip(place / frame, start, stop - 1)
        hz = np.exp(np.interp(frames, np.arange(start, stop), np.log(f0_hz[start:stop])))
        part = lift_run(x[:, first:last], hz, rate_hz=rate_hz, top_hz=top_hz)
        voice[:, first:last] += part * np.clip(np.minimum(place - a, b - place) / fade, 0.0, 1.0)
    return voice


class Lift:
    name = "lift"
    about = "one voice moved inside a finished mix, lifted out by its harmonics; approximate"
    context_s = CONTEXT_S
    exact = True
    follows = True
    needs_pitch = True

    def shift(self, passage: Passage) -> Samples:
        lifted = lift_voiced(
            np.asarray(passage.samples.T, dtype=np.float64),
            passage.f0_hz,
            rate_hz=passage.rate_hz,
            wanted=np.abs(passage.offset_cents) > STILL_CENTS,
        )
        voice = np.ascontiguousarray(lifted.T, dtype=np.float32)
        moved = psola.ENGINE.shift(replace(passage, samples=voice))
        mix = np.asarray(passage.samples)
        return np.where(moved == voice, mix, mix + (moved - voice)).astype(np.float32)


ENGINE = Lift()
