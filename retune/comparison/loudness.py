"""Integrated loudness (ITU-R BS.1770) and true peak, measured in blocks of any size.

The K-weighting filter is pyloudnorm's with the analogue parameters "DeMan", which give the
standard's coefficients at 48 kHz and their equivalents elsewhere; the gate is the standard's:
400 ms blocks with 75 % overlap, -70 LKFS, then 10 LU below the mean of what passed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np

from retune.carriers.heard import FloatArray

OFFSET_DB = -0.691  # ITU-R BS.1770-4, equation 2
ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
HOPS_PER_BLOCK = 4  # 400 ms blocks every 100 ms
OVERSAMPLING = 4
CONTEXT = 16  # input samples; the interpolator of resample_poly reaches 10 to each side
_EDGE = OVERSAMPLING * CONTEXT
_LEAST = 4096  # samples that wait together before they are oversampled

Sound = Any
"""One array (n,) or (n, channels), or an iterable of such arrays in order."""


def integrated_lufs(sound: Sound, rate_hz: int) -> float | None:
    """Integrated loudness in LUFS; None for silence and whatever the gate leaves out.

    `sound` is one array, float, full scale 1, of shape (n,) or (n, channels) with one or two
    channels, or an iterable of such arrays in order of time. What is shorter than 400 ms is
    followed by silence up to 400 ms, so that short sounds compare with each other.
    """
    return lufs_of_hops(hop_energies(sound, rate_hz), rate_hz)


def lufs_of_hops(hops: FloatArray, rate_hz: int) -> float | None:
    """Integrated loudness from the K-weighted energy of each 100 ms (`hop_energies`)."""
    if not hops.size:
        return None
    if len(hops) < HOPS_PER_BLOCK:
        hops = np.concatenate([hops, np.zeros(HOPS_PER_BLOCK - len(hops))])
    power = np.convolve(hops, np.ones(HOPS_PER_BLOCK), mode="valid") / (0.4 * rate_hz)
    gated = power[power >= _power(ABSOLUTE_GATE_LUFS)]
    if not gated.size:
        return None
    gate = float(np.mean(gated)) * 10 ** (RELATIVE_GATE_LU / 10)
    return _lufs(float(np.mean(gated[gated > gate])))


def true_peak_db(sound: Sound, rate_hz: int) -> float | None:
    """True peak in dBTP, the larger of all channels, by 4-times oversampling; None for silence.

    The sample peak counts too, so that the result is never below it. Accuracy: +0.2/-0.4 dB on
    EBU Tech 3341 cases 15-19. `rate_hz` is checked only; the method does not depend on it.
    """
    if rate_hz <= 0:
        raise ValueError(f"rate_hz is {rate_hz}; give the samples per second, above 0")
    peak = 0.0
    for block, whole in _overlapping(_blocks(sound)):
        peak = max(peak, _peak(block, whole))
    return peak_db(peak)


def peak_between(sound: FloatArray, before: int, after: int) -> float:
    """True peak, as an amplitude, of (n, channels) samples without the `before` first and the
    `after` last, which are context (`CONTEXT` samples of it leave no trace of the cut)."""
    end = -OVERSAMPLING * after if after else None
    return _peak(np.asarray(sound, dtype=np.float64), slice(OVERSAMPLING * before, end))


def peak_db(amplitude: float) -> float | None:
    """A peak in dB re full scale; None for silence."""
    return 20 * math.log10(amplitude) if amplitude > 0 else None


def _peak(block: FloatArray, whole: slice) -> float:
    from scipy.signal import resample_poly

    finer = resample_poly(block, OVERSAMPLING, 1, axis=0)[whole]
    # Every fourth oversampled value is a sample but for rounding, so the sample peak is in it.
    return float(np.max(np.abs(finer), initial=0.0))


def _power(lufs: float) -> float:
    return float(10 ** ((lufs - OFFSET_DB) / 10))


def _lufs(power: float) -> float:
    return OFFSET_DB + 10 * math.log10(power)


def _blocks(sound: Sound) -> Iterator[FloatArray]:
    """Non-empty float64 (n, channels) arrays."""
    pieces: Iterable[Any] = [sound] if isinstance(sound, np.ndarray) else sound
    for piece in pieces:
        block = np.asarray(piece, dtype=np.float64)
        block = block[:, None] if block.ndim == 1 else block
        if block.ndim != 2 or block.shape[1] > 2:
            raise ValueError(
                f"sound of shape {np.shape(piece)} was given; give (n,) or (n, 1) or (n, 2)"
            )
        if block.shape[0]:
            yield block


def _filters(rate_hz: int) -> list[Any]:
    from pyloudnorm import IIRfilter

    shelf = IIRfilter(3.99984385397, 0.7071752369554193, 1681.9744509555319, rate_hz, _SHELF)
    high_pass = IIRfilter(0.0, 0.5003270373253953, 38.13547087613982, rate_hz, _HIGH_PASS)
    return [(stage.b, stage.a) for stage in (shelf, high_pass)]


_SHELF, _HIGH_PASS = "high_shelf_DeMan", "high_pass_DeMan"


def hop_edge(hop: int, rate_hz: int) -> int:
    """The first sample of a 100 ms hop."""
    return int(hop * 0.1 * rate_hz)


def hop_energies(sound: Sound, rate_hz: int, *, first_hop: int = 0) -> FloatArray:
    """Summed K-weighted energy of each 100 ms of `sound`, which begins with hop `first_hop`.

    An unfinished last one counts only when the sound is shorter than one gating block.
    """
    from scipy.signal import lfilter

    stages = _filters(rate_hz)
    states: list[Any] = []
    energies: list[float] = []
    position, current = 0, 0.0
    for block in _blocks(sound):
        states = states or [np.zeros((2, block.shape[1])) for _ in stages]
        weighted = block
        for k, (b, a) in enumerate(stages):
            weighted, states[k] = lfilter(b, a, weighted, axis=0, zi=states[k])
        energy = np.sum(np.square(weighted), axis=1)
        while energy.size:
            edge = hop_edge(first_hop + len(energies) + 1, rate_hz) - hop_edge(first_hop, rate_hz)
            taken = min(edge - position, energy.size)
            current += float(np.sum(energy[:taken]))
            energy, position = energy[taken:], position + taken
            if position == edge:
                energies.append(current)
                current = 0.0
    if current and len(energies) < HOPS_PER_BLOCK:
        energies.append(current)
    return np.array(energies)


def _overlapping(blocks: Iterator[FloatArray]) -> Iterator[tuple[FloatArray, slice]]:
    """The sound in pieces that share their ends, each with the part of its oversampled form
    that no cut disturbs; these parts join without gap."""
    waiting: FloatArray | None = None
    first = True
    for block in blocks:
        if waiting is not None and waiting.shape[0] >= _LEAST:
            yield waiting, slice(0 if first else _EDGE, -_EDGE)
            waiting, first = np.concatenate([waiting[-2 * CONTEXT :], block]), False
        else:
            waiting = block if waiting is None else np.concatenate([waiting, block])
    if waiting is not None:
        yield waiting, slice(0 if first else _EDGE, None)
