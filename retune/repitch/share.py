"""How much of what stands on a voice's harmonics in a mix is the voice.

The mix is on the voice's own clock (see `retune.repitch.lift`). A small network looks at what is
measured of each harmonic in each frame, at its neighbours in time and at those above and below: a
voice's harmonics lie on a smooth curve and begin and end together, stand in the middle and, on
their own clock, keep their phase; a chord's tone sticks out, stays when the voice is gone, and
turns. The network was taught by tests/bench/fit_share.py on mixes made with the truth beside them,
of other voices and bands than tests/bench/bench_mix.py measures on. Its weights lie beside this
file.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from retune.carriers.heard import FloatArray
from retune.repitch.frames import Spectra, power_of
from retune.sound.netlayers import Floats, Layer, read_weights

WEIGHTS = Path(__file__).with_name("share_net.npz")
SHAPE = np.array([-0.5, 1.0, -0.5])
LONG, NEIGHBOURS = 33, 7  # frames, harmonics
CLEAR_DB, FEW, QUANTILE, WIDE = 6.0, 20, 0.35, 0.04
LEAST_DB, MOST_DB = -60.0, 60.0
N_FIGURES = 16


@dataclass(frozen=True, eq=False)
class Harmonics:
    """`tooth` the amplitudes (n_channels, n_frames, n_harmonics) and `share` how much of the
    power there is voice, 0 to 1; `beside_db` as above, 0 where it is not known."""

    tooth: Spectra
    share: FloatArray
    beside_db: float = 0.0

    @property
    def power(self) -> FloatArray:
        return power_of(self.tooth)


@dataclass(frozen=True)
class Comb:
    """Frames of so many periods; `learned` tells the share by the network, else it is what
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
    if len(tooth) == 2:
        figures, beside_db = measure(tooth, below, above)
        return Harmonics(tooth, share_of(figures), beside_db)
    alone = [_with_silence(tooth[c], below[c], above[c]) for c in range(len(tooth))]
    return Harmonics(tooth, np.stack([share_of(measure(*parts)[0])[0] for parts in alone]))


def _with_silence(
    tooth: Spectra, below: FloatArray, above: FloatArray
) -> tuple[Spectra, FloatArray, FloatArray]:
    """A channel alone as a middle whose side is silent."""
    silent = np.zeros_like(below)
    pair = np.stack([tooth, np.zeros_like(tooth)])
    return pair, np.stack([below, silent]), np.stack([above, silent])


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
    return np.clip(1 - _three(valley) / np.maximum(_three(power_of(tooth)), 1e-20), 0.0, 1.0)


def measure(tooth: Spectra, below: FloatArray, above: FloatArray) -> tuple[Floats, float]:
    """What the network is given of a middle and a side, (N_FIGURES, n_frames, n_harmonics), about
    1 in size, and the voice's side over its middle, dB. The figures: levels, what stands over its
    valleys now and over about 100 periods, what sticks out of its neighbours, the side over the
    middle here and of the voice, how steady the phase is, and the place."""
    from scipy.ndimage import median_filter, uniform_filter1d

    power = power_of(tooth)
    now = _three(power)
    level = _db(now)
    usual = _db(np.mean(power[0], keepdims=True)).reshape(1, 1, 1)
    over = level - _db(_three(np.maximum(below, above)))
    over_lower = level - _db(_three(np.minimum(below, above)))
    stands = median_filter(over, size=(1, LONG, 1), mode="nearest")
    sticks = level - median_filter(level, size=(1, 1, NEIGHBOURS), mode="nearest")
    side = np.clip(level[1] - level[0], LEAST_DB, MOST_DB)
    beside_db = _voice_beside_db(now, over[0])
    beside = np.full(side.shape, beside_db)
    steady = np.abs(uniform_filter1d(tooth, 3, axis=1)) ** 2 / np.maximum(now, 1e-14)
    shared = uniform_filter1d(tooth[0] * np.conj(tooth[1]), 3, axis=0)
    together = np.abs(shared) / np.sqrt(np.maximum(np.prod(now, axis=0), 1e-28))
    place = np.broadcast_to(np.arange(1, tooth.shape[2] + 1) / 20, side.shape)
    in_db = [*(level - usual), *over, *over_lower, *stands, *sticks, side, beside]
    scaled = [np.clip(x, LEAST_DB, MOST_DB) / 20 for x in in_db]
    figures = np.stack([*scaled, *np.minimum(steady, 1), together, place])
    return figures.astype(np.float32), beside_db


def _voice_beside_db(power: FloatArray, over_db: FloatArray) -> float:
    """Side over middle of the voice, dB: a low quantile over the harmonics that stand out, since a
    room spreads a voice and a chord lies to the side."""
    clear = over_db > CLEAR_DB
    ratio = WIDE
    if clear.sum() >= FEW:
        ratios = (power[1] / np.maximum(power[0], 1e-20))[clear]
        order = np.argsort(ratios)
        total = np.cumsum(np.sqrt(power[0][clear])[order])
        ratio = float(ratios[order][np.searchsorted(total, QUANTILE * total[-1])])
    return float(10 * np.log10(ratio + 1e-3))


@cache
def network() -> tuple[Layer, ...]:
    """The taught network."""
    return read_weights(WEIGHTS)[0]


def share_of(figures: Floats) -> FloatArray:
    """How much of the power of each harmonic is voice, (2, n_frames, n_harmonics), 0 to 1."""
    *hidden, last = network()
    x = figures
    for layer in hidden:
        x = np.maximum(layer.of(x), 0.0)
    return np.asarray(1 / (1 + np.exp(-np.clip(last.of(x), -30, 30))), dtype=np.float64)


def _three(power: FloatArray) -> FloatArray:
    """Means of three frames."""
    from scipy.ndimage import uniform_filter1d

    return np.asarray(np.maximum(uniform_filter1d(power, 3, axis=1), 0.0))


def _db(power: FloatArray) -> FloatArray:
    return np.asarray(10 * np.log10(np.maximum(power, 1e-14)))
