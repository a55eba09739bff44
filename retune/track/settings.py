"""The numbers of the pYIN model, and what follows from them."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, floor, log2

import numpy as np

from retune.carriers.heard import FloatArray

BINS_PER_SEMITONE = 10
BINS_PER_OCTAVE = 12 * BINS_PER_SEMITONE


@dataclass(frozen=True)
class PyinSettings:
    """One way to run pYIN.

    Probabilities and rates are those of the published model (Mauch & Dixon 2014, ICASSP, and
    the authors' plugin) as librosa 0.11 has them. `window` and `hop` are samples at `rate_hz`.
    `refined` False gives librosa's numbers, frame for frame; True the default of this room (see
    `retune.track.pyin`). `floor_db` is the level re full scale below which nothing is voiced.
    """

    fmin_hz: float
    fmax_hz: float
    rate_hz: int = 22050
    window: int = 2048
    hop: int = 256
    refined: bool = False
    n_thresholds: int = 100
    beta: tuple[float, float] = (2.0, 18.0)
    boltzmann: float = 2.0
    max_octaves_per_s: float = 35.92
    switch_prob: float = 0.01
    no_trough_prob: float = 0.01
    floor_db: float = -66.0

    @property
    def min_period(self) -> int:
        return floor(self.rate_hz / self.fmax_hz)

    @property
    def max_period(self) -> int:
        return min(ceil(self.rate_hz / self.fmin_hz), self.window - 1)

    @property
    def n_bins(self) -> int:
        return floor(BINS_PER_OCTAVE * log2(self.fmax_hz / self.fmin_hz)) + 1

    @property
    def reach_bins(self) -> int:
        """How many bins the pitch may move between two frames."""
        semitones = round(self.max_octaves_per_s * 12 * self.hop / self.rate_hz)
        return semitones * BINS_PER_SEMITONE // 2

    def bin_hz(self) -> FloatArray:
        """Frequency of every pitch bin."""
        octaves = np.arange(self.n_bins) / BINS_PER_OCTAVE
        hz: FloatArray = self.fmin_hz * 2.0**octaves
        return hz

    def threshold_probs(self) -> FloatArray:
        """Prior probability of each threshold 1/n, 2/n ... 1: a beta distribution."""
        # scipy.stats has it as beta.cdf, and takes most of a second to import.
        from scipy.special import betainc

        steps = np.linspace(0, 1, self.n_thresholds + 1)
        probs: FloatArray = np.diff(betainc(*self.beta, steps))
        return probs
