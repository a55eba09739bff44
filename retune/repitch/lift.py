"""How engine `lift` works: one voice moved inside a finished mix; approximate, and said to be so.

The mix is warped in time until the voice's pitch stands still, so that its harmonics fall on bins
and everything else is smeared (frames of 24 periods, Hann, an eighth apart). At each harmonic up
to 9 kHz the part that has the very shape of the window, [-1/2, 1, -1/2], is taken out by least
squares, as far as it is voice (`retune.repitch.share`). Warped back, that is the lifted voice; what
its room makes of it beside the harmonics is added (`retune.repitch.reverb`), and it is joined with
an estimate of the voice, if there is one (`retune.repitch.lift_join`). It is moved by `psola` and
put back: mix + (moved - lifted), so that where nothing moves not one bit changes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from retune.carriers.heard import FloatArray, Samples
from retune.repitch import psola
from retune.repitch.frames import HOPS, frames_of, laid_over
from retune.repitch.lift_join import joined
from retune.repitch.reverb import reverb_part
from retune.repitch.seam import FRAME_S, Passage
from retune.repitch.share import SHAPE, VOICE, Comb, harmonics
from retune.sound.netlayers import Floats

TOP_HZ = 9000.0
CONTEXT_S = 0.25
FADE_S = 0.01


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


def _resample(x: FloatArray | Floats, at: FloatArray) -> Floats:
    """Quintic splines through `x` (n_channels, n), read at fractional places."""
    from scipy.ndimage import map_coordinates

    read = (map_coordinates(c, at[None], np.float32, order=5, mode="nearest") for c in x)
    return np.stack(list(read))


def to_warped(x: FloatArray, warp: Warp) -> Floats:
    """`x` (n_channels, n) on the voice's clock."""
    at = np.interp(np.arange(warp.size), warp.phase, np.arange(len(warp.phase), dtype=np.float64))
    return _resample(x, at)


def from_warped(y: Floats, warp: Warp) -> Floats:
    """Back on the ordinary clock."""
    return _resample(y, warp.phase)


def harmonic_part(y: Floats, *, comb: Comb, period: int, n_harmonics: int) -> Floats:
    """What of `y` (n_channels, n), warped, stands on the harmonics of its constant pitch."""
    from scipy.fft import irfft

    size = comb.periods * period
    spectra = frames_of(y, size=size)
    found = harmonics(spectra, comb=comb, n_harmonics=n_harmonics)
    part = np.zeros_like(spectra)
    bins = comb.periods * np.arange(1, n_harmonics + 1)
    for offset, weight in zip((-1, 0, 1), SHAPE, strict=True):
        part[:, :, bins + offset] = weight * found.share * found.tooth
    # Hann windows an eighth of their length apart add up to half their number.
    made = irfft(part, n=size, axis=2) / (HOPS / 2)
    return laid_over(made, length=y.shape[1])


def mid_and_side(x: FloatArray) -> FloatArray:
    """Middle and side of two channels, (2, n); any other number of channels as it is."""
    return np.stack([0.5 * (x[0] + x[1]), 0.5 * (x[0] - x[1])]) if len(x) == 2 else x


def left_and_right(pair: FloatArray) -> FloatArray:
    """The channels whose middle and side `mid_and_side` made."""
    return np.stack([pair[0] + pair[1], pair[0] - pair[1]]) if len(pair) == 2 else pair


def lift_run(
    x: FloatArray, hz: FloatArray, *, rate_hz: int, top_hz: float, comb: Comb = VOICE
) -> FloatArray:
    """The voice of pitch `hz` (n,) in `x` (n_channels, n), up to `top_hz`."""
    warp = make_warp(hz, rate_hz=rate_hz)
    top = min(top_hz, 0.45 * rate_hz)
    n_harmonics = max(int(top / float(hz.max())), 1)
    n_harmonics = min(n_harmonics, warp.period // 2 - 1)
    pair = mid_and_side(x)
    part = harmonic_part(
        to_warped(pair, warp), comb=comb, period=warp.period, n_harmonics=n_harmonics
    )
    return left_and_right(from_warped(part, warp).astype(np.float64))


def lift_voiced(
    x: FloatArray,
    f0_hz: FloatArray,
    *,
    rate_hz: int,
    top_hz: float = TOP_HZ,
    comb: Comb = VOICE,
    wanted: NDArray[np.bool_] | None = None,
    reverb: bool = False,
    estimate: Samples | None = None,
) -> FloatArray:
    """The voice that follows `f0_hz` (one value each `FRAME_S`, NaN where it is silent) in `x`,
    (n_channels, n_samples); only the voiced runs in which a frame is `wanted`, if given. With
    `reverb`, also what of it lies beside its harmonics. With an `estimate` of the voice, as `x`,
    both joined: their errors differ, so that it lies nearer than either
    (tests/bench/bench_joined.py)."""
    voice, gate = np.zeros_like(x), np.zeros(x.shape[1])
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
        here = x[:, first:last]
        part = lift_run(here, hz, rate_hz=rate_hz, top_hz=top_hz, comb=comb)
        if reverb:
            rest, lifted = mid_and_side(here - part), mid_and_side(part)
            part += left_and_right(reverb_part(rest, lifted, rate_hz=rate_hz))
        ramp = np.clip(np.minimum(place - a, b - place) / fade, 0.0, 1.0)
        voice[:, first:last] += part * ramp
        gate[first:last] += ramp
    if estimate is not None and gate.any():
        sounds = (x, voice, np.asarray(estimate, dtype=np.float64))
        pairs = (mid_and_side(sound) for sound in sounds)
        voice = gate * left_and_right(joined(*pairs, rate_hz=rate_hz))
    return voice


def move_within(passage: Passage, *, top_hz: float = TOP_HZ, comb: Comb = VOICE) -> Samples:
    """The mix with the voice that its f0 follows lifted out, moved by `psola` and put back;
    float32 (n_samples, n_channels), the samples given wherever nothing moves."""
    lifted = lift_voiced(
        np.asarray(passage.samples.T, dtype=np.float64),
        passage.f0_hz,
        rate_hz=passage.rate_hz,
        top_hz=top_hz,
        comb=comb,
        wanted=np.abs(passage.offset_cents) > psola.STILL_CENTS,
        reverb=comb.learned,
        estimate=None if passage.voice is None or not comb.learned else passage.voice.T,
    )
    voice = np.ascontiguousarray(lifted.T, dtype=np.float32)
    moved = psola.ENGINE.shift(replace(passage, samples=voice))
    mix = np.asarray(passage.samples)
    return np.where(moved == voice, mix, mix + (moved - voice)).astype(np.float32)
