"""The default tracker: pYIN in blocks.

Model: Mauch & Dixon 2014, "pYIN: a fundamental frequency estimator using probabilistic threshold
distributions", ICASSP, with the constants of the authors' plugin and of librosa 0.11.

The `published` settings give librosa's answers. The `refined` ones, the default, differ:

- the difference function is symmetric (`SymmetricDifference`), over a window of about three
  periods of the lowest pitch, so that voicing starts and stops with the voice;
- f0 comes from the difference function around the chosen candidate, not from its 10-cent bin;
- noise at the floor is assumed, so that near silence nothing is voiced;
- a voiced run ends where no threshold finds a trough any more;
- a held stretch whose octave is doubtful gets a low `voiced_prob` (`retune.track.octaves`).
"""

from __future__ import annotations

from collections.abc import Iterator
from math import ceil

import numpy as np
from numpy.typing import NDArray

from retune.core.carriers import AudioLike, FloatArray, PitchTrack
from retune.core.units import db_to_gain, gain_to_db
from retune.track.candidates import find_candidates, normalise
from retune.track.decode import Candidates, Decoder
from retune.track.difference import SymmetricDifference, frames_of, published_difference
from retune.track.octaves import lower_doubtful
from retune.track.refine import TO_POLYNOMIAL, refine_candidates
from retune.track.settings import BINS_PER_OCTAVE, PyinSettings
from retune.track.stream import framed_blocks, mono_blocks
from retune.track.viterbi import STRIDE

PERIODS_IN_WINDOW = 2.4
SHORTEST_WINDOW = 801
REFINE_PERIODS = 3.0
REFINE_SAMPLES = 350.0
REFINE_SHARE = 0.05
EDGE_PROB = 0.015


def refined_settings(*, fmin_hz: float, fmax_hz: float) -> PyinSettings:
    """The default settings for a range: 22.05 kHz, hop 256, a window that fits the lowest pitch
    (odd, so that it has a middle sample)."""
    base = PyinSettings(fmin_hz, fmax_hz)
    window = max(SHORTEST_WINDOW, ceil(PERIODS_IN_WINDOW * base.rate_hz / fmin_hz)) | 1
    return PyinSettings(fmin_hz, fmax_hz, window=window, refined=True)


class Pyin:
    """Our own pYIN; `settings` None means the refined ones for the range asked for."""

    name = "pyin"

    def __init__(self, settings: PyinSettings | None = None) -> None:
        self.settings = settings

    def track(self, audio: AudioLike, *, fmin_hz: float, fmax_hz: float) -> PitchTrack:
        settings = self.settings or refined_settings(fmin_hz=fmin_hz, fmax_hz=fmax_hz)
        blocks = mono_blocks(audio, rate_hz=settings.rate_hz)
        return run(blocks, settings=settings)


def run(blocks: Iterator[FloatArray], *, settings: PyinSettings) -> PitchTrack:
    """pYIN over mono blocks at `settings.rate_hz`; memory grows with the track alone."""
    analyse = FrameAnalysis(settings)
    decoder = Decoder(settings)
    powers: list[FloatArray] = []
    for stretch in framed_blocks(blocks, window=settings.window, hop=settings.hop, batch=STRIDE):
        piece, power = analyse(stretch)
        decoder.feed(piece)
        powers.append(power)
    states = decoder.finish()
    f0_hz, voiced_prob = (
        refined_answer(decoder.pieces, states, settings)
        if settings.refined
        else published_answer(decoder.pieces, states, settings)
    )
    time_s = np.arange(len(states), dtype=np.float64) * (settings.hop / settings.rate_hz)
    power = np.concatenate(powers) if powers else np.zeros(0)
    return PitchTrack(time_s, f0_hz, voiced_prob, gain_to_db(np.sqrt(power)), Pyin.name)


class FrameAnalysis:
    """From a stretch of sound to the candidates and the mean power of its frames."""

    def __init__(self, settings: PyinSettings) -> None:
        self.settings = settings
        self.threshold_probs = settings.threshold_probs()
        self.symmetric = SymmetricDifference(
            window=settings.window,
            max_period=settings.max_period,
            noise_power=float(db_to_gain(settings.floor_db)) ** 2,
        )

    def __call__(self, stretch: FloatArray) -> tuple[Candidates, FloatArray]:
        settings = self.settings
        frames = frames_of(stretch, window=settings.window, hop=settings.hop)
        if settings.refined:
            difference, power = self.symmetric(frames)
        else:
            difference = published_difference(frames, max_period=settings.max_period)
            power = np.einsum("ij,ij->i", frames, frames) / settings.window
        found = self._candidates(difference)
        if settings.refined:
            refine_candidates(
                frames,
                float(settings.rate_hz),
                REFINE_PERIODS,
                REFINE_SAMPLES,
                REFINE_SHARE,
                TO_POLYNOMIAL,
                found.bins,
                found.probs,
                found.hz,
            )
        return found, power

    def _candidates(self, difference: FloatArray) -> Candidates:
        settings = self.settings
        n_lags = settings.max_period - settings.min_period + 1
        normalised = np.empty((len(difference), n_lags))
        normalise(difference, settings.min_period, normalised)
        found = Candidates(len(difference))
        find_candidates(
            normalised,
            settings.min_period,
            float(settings.rate_hz),
            settings.fmin_hz,
            settings.n_bins,
            BINS_PER_OCTAVE,
            self.threshold_probs,
            settings.boltzmann,
            settings.no_trough_prob,
            found.bins,
            found.probs,
            found.hz,
            found.heights,
            found.voiced_prob,
        )
        return found


def published_answer(
    pieces: list[Candidates], states: NDArray[np.int32], settings: PyinSettings
) -> tuple[FloatArray, FloatArray]:
    """f0 at the centre of the decoded bin, as published."""
    f0_hz = settings.bin_hz()[states % settings.n_bins]
    f0_hz[states >= settings.n_bins] = np.nan
    probs = np.concatenate([np.zeros(0), *(piece.voiced_prob for piece in pieces)])
    return f0_hz, probs


def refined_answer(
    pieces: list[Candidates], states: NDArray[np.int32], settings: PyinSettings
) -> tuple[FloatArray, FloatArray]:
    """Unquantised f0 with trimmed runs, and voicing probabilities that know of octave doubts."""
    f0_hz, doubt = np.full(len(states), np.nan), np.zeros(len(states))
    voiced_prob = np.zeros(len(states))
    for i, piece in enumerate(pieces):
        here = slice(i * STRIDE, i * STRIDE + len(piece))
        f0_hz[here], doubt[here] = piece.answers(states[here])
        voiced_prob[here] = piece.voiced_prob
    trim_runs(f0_hz, voiced_prob)
    return f0_hz, lower_doubtful(f0_hz, voiced_prob, doubt)


def trim_runs(f0_hz: FloatArray, voiced_prob: FloatArray) -> None:
    """Take from both ends of every voiced run the frames that only the lack of anything better
    made voiced (in place)."""
    weak = np.isnan(f0_hz) | (voiced_prob < EDGE_PROB)
    edges = np.flatnonzero(np.diff(np.concatenate([[True], np.isnan(f0_hz), [True]])))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        strong = np.flatnonzero(~weak[start:stop])
        if not len(strong):
            f0_hz[start:stop] = np.nan
            continue
        f0_hz[start : start + strong[0]] = np.nan
        f0_hz[start + strong[-1] + 1 : stop] = np.nan


def warm_up() -> None:
    """Compile everything the default tracker needs, or load it from the cache (seconds)."""
    second = np.sin(np.arange(22050) * 0.06)
    run(iter([second]), settings=refined_settings(fmin_hz=65.0, fmax_hz=1000.0))
