"""How much of what stands on a voice's harmonics in a mix is the voice.

The mix is on the voice's own clock (see `retune.repitch.lift`). Four things tell, each in dB and
each with a weight: a logistic rule in plain sight. The weights were fitted by
tests/bench/fit_share.py on mixes with the truth beside them, of other voices and bands than
tests/bench/bench_mix.py measures on.

stands    the harmonic over the louder of the valleys beside it, median over about 100 periods
sticks    the harmonic over its neighbours' median: a voice's harmonics lie on a smooth curve,
          a chord's tone sticks out of it
side      the side channel over the middle at this harmonic: the voice stands in the middle
beside    the same for the voice itself, from the harmonics no chord shares: a room spreads it
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from retune.core.carriers import FloatArray

Spectra = NDArray[np.complex128]

HOPS = 8
SHAPE = np.array([-0.5, 1.0, -0.5])
LONG, NEIGHBOURS = 33, 7  # frames, harmonics
CLEAR_DB, FEW, QUANTILE, WIDE = 6.0, 20, 0.35, 0.04
LEAST_DB, MOST_DB = -60.0, 60.0


@dataclass(frozen=True)
class Weights:
    """Log odds that a harmonic is voice: each figure in dB times its weight, and a constant."""

    stands: float
    sticks: float
    side: float
    beside: float
    constant: float


# Constants 1 above the fitted ones, which leave a ghost of 2 dB; chosen on bench_mix.py --seed 0.
MIDDLE = Weights(0.148, -0.159, -0.112, 0.131, 1.335)
SIDE = Weights(0.119, -0.131, -0.133, 0.338, 4.167)
ALONE = Weights(0.168, -0.158, 0.0, 0.0, 0.518)


@dataclass(frozen=True, eq=False)
class Harmonics:
    """`tooth` the amplitudes (n_channels, n_frames, n_harmonics) and `share` how much of the
    power there is voice, 0 to 1; `beside_db` as above, 0 where it is not known."""

    tooth: Spectra
    share: FloatArray
    beside_db: float = 0.0

    @property
    def power(self) -> FloatArray:
        return np.asarray(self.tooth.real**2 + self.tooth.imag**2)


@dataclass(frozen=True)
class Comb:
    """Frames of so many periods; `learned` tells the share by the fitted rule, else it is what
    rises above the quieter valley."""

    periods: int
    learned: bool


VOICE, BASS = Comb(24, True), Comb(12, False)


def harmonics(spectra: Spectra, *, comb: Comb, n_harmonics: int) -> Harmonics:
    """What stands on the harmonics of `spectra` (n_channels, n_frames, n_bins), frames of as many
    periods as the comb says; of two channels the first is the middle, the second the side."""
    tooth = teeth(spectra, comb=comb, n_harmonics=n_harmonics)
    below, above = valleys(spectra, comb=comb, n_harmonics=n_harmonics)
    if not comb.learned:
        return Harmonics(tooth, _above(tooth, np.minimum(below, above)))
    kinds = (MIDDLE, SIDE) if len(tooth) == 2 else (ALONE,) * len(tooth)
    figures = measure(tooth, np.maximum(below, above))
    share = np.stack([_odds(f, w) for f, w in zip(figures, kinds, strict=True)])
    return Harmonics(tooth, share, float(figures[0][0, 0, -1]))


def teeth(spectra: Spectra, *, comb: Comb, n_harmonics: int) -> Spectra:
    """Amplitude of each harmonic in each frame by least squares, (n_channels, n_frames,
    n_harmonics)."""
    bins = comb.periods * np.arange(1, n_harmonics + 1)
    found = sum(w * spectra[:, :, bins + k] for k, w in zip((-1, 0, 1), SHAPE, strict=True))
    return np.asarray(found / np.sum(SHAPE**2))


def valleys(spectra: Spectra, *, comb: Comb, n_harmonics: int) -> tuple[FloatArray, FloatArray]:
    """Power in the valleys below and above each harmonic."""
    middles = comb.periods * np.arange(n_harmonics + 1) + comb.periods // 2
    reach = range(-(comb.periods // 6), comb.periods // 6 + 1)
    part = spectra[:, :, : middles[-1] + reach.stop]
    power = part.real**2 + part.imag**2
    between = np.mean([power[:, :, middles + k] for k in reach], axis=0)
    return between[:, :, :-1], between[:, :, 1:]


def _above(tooth: Spectra, valley: FloatArray) -> FloatArray:
    from scipy.ndimage import uniform_filter1d

    power = uniform_filter1d(tooth.real**2 + tooth.imag**2, 3, axis=1)
    return np.asarray(
        np.clip(1 - uniform_filter1d(valley, 3, axis=1) / np.maximum(power, 1e-20), 0.0, 1.0)
    )


def measure(tooth: Spectra, valley: FloatArray) -> list[FloatArray]:
    """The figures of each channel, (n_frames, n_harmonics, 4), in the order of `Weights`."""
    from scipy.ndimage import median_filter, uniform_filter1d

    power = tooth.real**2 + tooth.imag**2
    now = uniform_filter1d(power, 3, axis=1)
    level = _db(now)
    over = level - _db(uniform_filter1d(valley, 3, axis=1))
    stands = median_filter(over, size=(1, LONG, 1), mode="nearest")
    sticks = level - median_filter(level, size=(1, 1, NEIGHBOURS), mode="nearest")
    if len(tooth) != 2:
        none = np.zeros(now.shape[1:])
        return [np.stack([*both, none, none], axis=-1) for both in zip(stands, sticks, strict=True)]
    side = np.clip(level[1] - level[0], LEAST_DB, MOST_DB)
    beside = np.full(side.shape, _voice_beside(now, over[0]))
    return [np.stack([stands[0], sticks[0], side, beside], axis=-1)] * 2


def _voice_beside(power: FloatArray, over_db: FloatArray) -> float:
    """Side over middle of the voice, dB: a low quantile over the harmonics that stand out."""
    clear = over_db > CLEAR_DB
    ratio = WIDE
    if clear.sum() >= FEW:
        ratios = (power[1] / np.maximum(power[0], 1e-20))[clear]
        order = np.argsort(ratios)
        total = np.cumsum(np.sqrt(power[0][clear])[order])
        ratio = float(ratios[order][np.searchsorted(total, QUANTILE * total[-1])])
    return float(10 * np.log10(ratio + 1e-3))


def _odds(figures: FloatArray, weights: Weights) -> FloatArray:
    w = weights
    slopes = np.array([w.stands, w.sticks, w.side, w.beside])
    return np.asarray(1 / (1 + np.exp(-np.clip(figures @ slopes + w.constant, -30, 30))))


def _db(power: FloatArray) -> FloatArray:
    return np.asarray(10 * np.log10(np.maximum(power, 1e-14)))
