"""The way from candidates to states, fed piece by piece."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from retune.carriers.heard import FloatArray
from retune.track.candidates import MAX_CANDIDATES
from retune.track.octaves import frame_doubt
from retune.track.settings import PyinSettings
from retune.track.viterbi import STRIDE, Transitions, forward, trace_back


@dataclass(frozen=True, eq=False)
class Candidates:
    """Candidates of consecutive frames: `bins` (n, m) int16 with -1 after the last; `probs`,
    `hz`, `heights` (normalised difference) and `local` (aperiodicity at the very centre of the
    frame) (n, m) float32 or less; `voiced_prob` (n,)."""

    bins: NDArray[np.int16]
    probs: NDArray[np.float32]
    hz: NDArray[np.float32]
    heights: NDArray[np.floating]
    local: NDArray[np.floating]
    voiced_prob: FloatArray

    @classmethod
    def empty(cls, n_frames: int) -> Candidates:
        shape = (n_frames, MAX_CANDIDATES)
        probs, hz, heights, local = (np.zeros(shape, np.float32) for _ in range(4))
        bins = np.full(shape, -1, np.int16)
        return cls(bins, probs, hz, heights, local, np.zeros(n_frames, np.float64))

    def __len__(self) -> int:
        return len(self.voiced_prob)

    def part(self, where: slice) -> Candidates:
        """Some of the frames, as views."""
        return Candidates(
            self.bins[where],
            self.probs[where],
            self.hz[where],
            self.heights[where],
            self.local[where],
            self.voiced_prob[where],
        )

    def packed(self) -> Candidates:
        """The same, with half the room for what needs no more digits."""
        half = np.float16
        return replace(self, heights=self.heights.astype(half), local=self.local.astype(half))

    def answers(self, states: NDArray[np.int32]) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Frequency (n,) of the candidate in each decoded bin, NaN where there is none; the
        doubt (n,) that the other candidates throw on its octave; its local aperiodicity (n,)."""
        match = (self.bins == states[:, None]) & (self.bins >= 0)
        rows, chosen = np.arange(len(self)), match.argmax(axis=1)
        hz: FloatArray = self.hz[rows, chosen].astype(np.float64)
        hz[~match.any(axis=1)] = np.nan
        height: FloatArray = self.heights[rows, chosen].astype(np.float64)
        local: FloatArray = self.local[rows, chosen].astype(np.float64)
        return hz, frame_doubt(hz, height, self.hz, self.heights), local


class Decoder:
    """Viterbi decoding of pieces of `Candidates`; every piece but the last holds STRIDE frames."""

    def __init__(self, settings: PyinSettings) -> None:
        moves = Transitions(
            n_bins=settings.n_bins,
            reach=settings.reach_bins,
            switch_prob=settings.switch_prob,
        )
        self.moves = (moves.kernel, moves.row, moves.stay, moves.switch)
        self.n_states = 2 * settings.n_bins
        self.value: FloatArray = np.zeros(self.n_states)
        self.pieces: list[Candidates] = []
        self.starts: list[NDArray[np.float64]] = []

    def feed(self, piece: Candidates) -> None:
        """Advance over the next frames."""
        self.starts.append(self.value.copy())
        self._advance(len(self.pieces), piece, self.value, np.empty((1, self.n_states)), STRIDE)
        self.pieces.append(piece)

    def _advance(
        self, index: int, piece: Candidates, value: FloatArray, trail: FloatArray, every: int
    ) -> None:
        forward(
            value,
            index * STRIDE,
            piece.bins,
            piece.probs,
            piece.voiced_prob,
            *self.moves,
            trail,
            every,
        )

    def finish(self) -> NDArray[np.int32]:
        """The most probable state of every frame: a pitch bin if voiced, else n_bins or more."""
        states = [np.zeros(0, np.int32)]
        trail = np.empty((STRIDE, self.n_states))
        state = -1
        for index in range(len(self.pieces) - 1, -1, -1):
            piece = self.pieces[index]
            self._advance(index, piece, self.starts.pop(), trail, 1)
            found = np.empty(len(piece), np.int32)
            if state < 0:
                state = int(np.argmax(trail[len(piece) - 1]))
                found[-1] = state
                trace_back(trail, state, *self.moves, found[:-1])
            else:
                trace_back(trail, state, *self.moves, found)
            state = int(found[0])
            states.append(found)
        return np.concatenate(states[::-1])
