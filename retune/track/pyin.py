"""The default tracker: pYIN in blocks.

Model: Mauch & Dixon 2014, "pYIN: a fundamental frequency estimator using probabilistic threshold
distributions", ICASSP, with the constants of the authors' plugin and of librosa 0.11.

The `published` settings give librosa's answers. The `refined` ones, the default, differ:

- the difference function is symmetric (`SymmetricDifference`), over a window of about three
  periods of the lowest pitch, so that voicing starts and stops with the voice;
- f0 comes from the difference function around the chosen candidate, not from its 10-cent bin;
- noise at the floor is assumed, so that near silence nothing is voiced;
- a voiced run ends where the sound at the frame's centre no longer repeats, or where it has
  sunk by 20 dB within 0.3 s;
- a frame that repeats badly is drawn to the pitch of its neighbours (`retune.track.steady`);
- a held stretch whose octave is doubtful gets a low `voiced_prob` (`retune.track.octaves`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from math import ceil

import numpy as np
from numpy.typing import NDArray

from retune.carriers.heard import AudioLike, FloatArray, PitchTrack
from retune.carriers.units import db_to_gain, gain_to_db
from retune.track.candidates import find_candidates, normalise
from retune.track.decode import Candidates, Decoder
from retune.track.difference import SymmetricDifference, frames_of, published_difference
from retune.track.gentle import GENTLE_BETA, heard_gently
from retune.track.octaves import lower_doubtful
from retune.track.refine import TO_POLYNOMIAL, refine_candidates
from retune.track.settings import BINS_PER_OCTAVE, PyinSettings
from retune.track.steady import steadied
from retune.track.stream import framed_blocks, mono_blocks
from retune.track.viterbi import STRIDE

PERIODS_IN_WINDOW = 2.4
SHORTEST_WINDOW = 1025
REFINE_PERIODS = 3.0
REFINE_SAMPLES = 300.0
REFINE_SHARE = 0.05
LOCAL_LIMIT = 0.8
TAIL_DB = 20.0
TAIL_S = 0.3
DIP_S = 0.08
# Few enough that their spectra stay in the processor's cache.
FRAMES_AT_ONCE = 32
SOFTEN = np.array([0.25, 0.5, 0.25])


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
        found = _over(audio, settings)
        if self.settings is not None:
            return found
        gentle = replace(settings, beta=GENTLE_BETA)
        return heard_gently(
            audio,
            found,
            again=lambda part: _over(part, gentle),
            hop_s=settings.hop / settings.rate_hz,
        )


def _over(audio: AudioLike, settings: PyinSettings) -> PitchTrack:
    return run(mono_blocks(audio, rate_hz=settings.rate_hz), settings=settings)


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
    energy_db = gain_to_db(np.sqrt(np.concatenate([np.zeros(0), *powers])))
    if settings.refined:
        f0_hz, voiced_prob = refined_answer(decoder.pieces, states, energy_db, settings)
    else:
        f0_hz, voiced_prob = published_answer(decoder.pieces, states, settings)
    time_s = np.arange(len(states), dtype=np.float64) * (settings.hop / settings.rate_hz)
    return PitchTrack(time_s, f0_hz, voiced_prob, energy_db, Pyin.name)


class FrameAnalysis:
    """From a stretch of sound to the candidates and the mean power of its frames."""

    def __init__(self, settings: PyinSettings) -> None:
        self.settings = settings
        self.threshold_probs = settings.threshold_probs()
        self.noise_power = float(db_to_gain(settings.floor_db)) ** 2
        self.symmetric = SymmetricDifference(
            window=settings.window,
            max_period=settings.max_period,
            noise_power=self.noise_power,
        )

    def __call__(self, stretch: FloatArray) -> tuple[Candidates, FloatArray]:
        window, hop = self.settings.window, self.settings.hop
        frames = frames_of(stretch, window=window, hop=hop)
        # Without the highest partials a polynomial describes the trough better.
        soft = frames_of(np.convolve(stretch, SOFTEN, mode="same"), window=window, hop=hop)
        found, power = Candidates.empty(len(frames)), np.empty(len(frames))
        for start in range(0, len(frames), FRAMES_AT_ONCE):
            part = slice(start, start + FRAMES_AT_ONCE)
            power[part] = self._fill(frames[part], soft[part], found.part(part))
        return found.packed(), power

    def _fill(self, frames: FloatArray, soft: FloatArray, found: Candidates) -> FloatArray:
        settings = self.settings
        if not settings.refined:
            difference = published_difference(frames, max_period=settings.max_period)
            self._find(difference, found)
            power: FloatArray = np.einsum("ij,ij->i", frames, frames) / settings.window
            return power
        difference, power = self.symmetric(frames)
        self._find(difference, found)
        refine_candidates(
            soft,
            float(settings.rate_hz),
            REFINE_PERIODS,
            REFINE_SAMPLES,
            REFINE_SHARE,
            self.noise_power,
            TO_POLYNOMIAL,
            found.bins,
            found.probs,
            found.hz,
            found.local,
        )
        return power

    def _find(self, difference: FloatArray, found: Candidates) -> None:
        settings = self.settings
        n_lags = settings.max_period - settings.min_period + 1
        normalised = np.empty((len(difference), n_lags))
        normalise(difference, settings.min_period, normalised)
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


def published_answer(
    pieces: list[Candidates], states: NDArray[np.int32], settings: PyinSettings
) -> tuple[FloatArray, FloatArray]:
    """f0 at the centre of the decoded bin, as published."""
    f0_hz = settings.bin_hz()[states % settings.n_bins]
    f0_hz[states >= settings.n_bins] = np.nan
    probs = np.concatenate([np.zeros(0), *(piece.voiced_prob for piece in pieces)])
    return f0_hz, probs


def refined_answer(
    pieces: list[Candidates],
    states: NDArray[np.int32],
    energy_db: FloatArray,
    settings: PyinSettings,
) -> tuple[FloatArray, FloatArray]:
    """Unquantised f0 with trimmed runs, and voicing probabilities that know of octave doubts."""
    f0_hz, doubt, local = (np.full(len(states), np.nan) for _ in range(3))
    voiced_prob = np.zeros(len(states))
    for i, piece in enumerate(pieces):
        here = slice(i * STRIDE, i * STRIDE + len(piece))
        f0_hz[here], doubt[here], local[here] = piece.answers(states[here])
        voiced_prob[here] = piece.voiced_prob
    hop_s = settings.hop / settings.rate_hz
    tail = without_dips(is_tail(energy_db, hop_s=hop_s), f0_hz, longest=round(DIP_S / hop_s))
    open_gaps(f0_hz, weak=(local > LOCAL_LIMIT) | tail)
    f0_hz = steadied(f0_hz, local, hop_s=hop_s)
    return f0_hz, lower_doubtful(f0_hz, voiced_prob, doubt)


def open_gaps(f0_hz: FloatArray, *, weak: NDArray[np.bool_]) -> None:
    """Make `weak` frames unvoiced (in place) at the ends of a voiced run, and inside one where
    more than one on end is weak."""
    weak = weak | np.isnan(f0_hz)
    lone = weak & ~np.concatenate([[True], weak[:-1]]) & ~np.concatenate([weak[1:], [True]])
    f0_hz[weak & ~lone] = np.nan


def is_tail(energy_db: FloatArray, *, hop_s: float) -> NDArray[np.bool_]:
    """Frames (n,) more than `TAIL_DB` below the loudest of the `TAIL_S` before them: the room
    and the breath after a note, where pitch is no longer sung."""
    from scipy.ndimage import maximum_filter1d

    if not len(energy_db):
        return np.zeros(0, bool)
    n = max(round(TAIL_S / hop_s), 1)
    recent = maximum_filter1d(energy_db, n, origin=(n - 1) // 2)
    tail: NDArray[np.bool_] = energy_db < recent - TAIL_DB
    return tail


def without_dips(tail: NDArray[np.bool_], f0_hz: FloatArray, *, longest: int) -> NDArray[np.bool_]:
    """`tail` without its runs of up to `longest` frames that lie between voiced frames: a hummed
    consonant is as quiet as a tail, but the voice goes on after it."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], tail, [False]])))
    kept = tail.copy()
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        inside = f0_hz[max(start - 1, 0) : stop + 1]
        if stop - start <= longest and np.isfinite(inside).all():
            kept[start:stop] = False
    return kept


def warm_up() -> None:
    """Compile everything the default tracker needs, or load it from the cache (seconds)."""
    second = np.sin(np.arange(22050) * 0.06)
    run(iter([second]), settings=refined_settings(fmin_hz=65.0, fmax_hz=1000.0))
