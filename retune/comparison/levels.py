"""Gains that put every version of a song at the loudness of its original mix.

Each version's gain depends on itself and the original only, never on which other versions are
made beside it, so that a batch gives the same bytes however it is cut into jobs.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from retune.carriers.heard import AudioLike, FloatArray
from retune.comparison.loudness import (
    CONTEXT,
    HOPS_PER_BLOCK,
    hop_edge,
    hop_energies,
    lufs_of_hops,
    peak_between,
    peak_db,
)

CEILING_DBTP = -1.0  # EBU R 128: most true peak of a programme
HEADROOM_DB = 1.0  # kept free in the original, so that a version's own peaks fit when matched


SETTLE_HOPS = 10  # 1 s, in which the K-weighting filter forgets what it heard


@dataclass(frozen=True, eq=False)
class Measured:
    """The loudness and peaks of a mix, kept in pieces so that a version of it can be measured
    from its changed spans alone.

    `hops` is the K-weighted energy of each 100 ms, `peaks` the true peak of each second.
    """

    rate_hz: int
    hops: FloatArray
    peaks: FloatArray

    @property
    def loudness_lufs(self) -> float | None:
        """Integrated loudness in LUFS; None for silence."""
        return lufs_of_hops(self.hops, self.rate_hz)

    @property
    def true_peak_db(self) -> float | None:
        """True peak in dBTP; None for silence."""
        return peak_db(float(self.peaks.max(initial=0.0)))


@dataclass(frozen=True)
class MixLevels:
    """What level matching did to one version: before, the gain, and after it."""

    loudness_before: float | None
    loudness_after: float | None
    gain_db: float
    true_peak_db: float | None
    short_by_db: float = 0.0
    """How far below the original's loudness the version had to stay to keep its peaks legal."""


def measure(audio: AudioLike) -> Measured:
    """Loudness (ITU-R BS.1770) and true peak of a whole mix, read once, in blocks."""
    peaks: list[float] = []

    def seconds() -> Iterator[FloatArray]:
        for start in range(0, audio.n_samples, audio.rate_hz):
            piece, before, after = _second(audio, start)
            peaks.append(peak_between(piece, before, after))
            yield piece[before : len(piece) - after]

    hops = hop_energies(seconds(), audio.rate_hz)
    return Measured(audio.rate_hz, hops, np.array(peaks))


def measure_again(known: Measured, audio: AudioLike, spans: Sequence[tuple[int, int]]) -> Measured:
    """The measure of a mix that differs from the one of `known` only in `spans` of samples."""
    rate_hz, hops, peaks = known.rate_hz, known.hops.copy(), known.peaks.copy()
    if len(hops) < HOPS_PER_BLOCK:
        return measure(audio)
    for start, stop in spans:
        for second in range(max(start - CONTEXT, 0) // rate_hz, (stop + CONTEXT) // rate_hz + 1):
            if second < len(peaks):
                peaks[second] = peak_between(*_second(audio, second * rate_hz))
        first = int(np.searchsorted(_edges(len(hops), rate_hz), start, side="right")) - 1
        last = int(np.searchsorted(_edges(len(hops), rate_hz), stop, side="left"))
        last = min(last + SETTLE_HOPS, len(hops))
        lead = max(first - SETTLE_HOPS, 0)
        sound = audio.read(hop_edge(lead, rate_hz), hop_edge(last, rate_hz))
        fresh = hop_energies(sound, rate_hz, first_hop=lead)
        hops[first:last] = fresh[first - lead : last - lead]
    return Measured(rate_hz, hops, peaks)


def _edges(n_hops: int, rate_hz: int) -> FloatArray:
    return np.array([hop_edge(hop, rate_hz) for hop in range(n_hops + 1)], dtype=np.float64)


def _second(audio: AudioLike, start: int) -> tuple[FloatArray, int, int]:
    """One second from a sample on, with context, and how much of that is before and after."""
    stop = min(start + audio.rate_hz, audio.n_samples)
    low, high = max(start - CONTEXT, 0), min(stop + CONTEXT, audio.n_samples)
    return np.asarray(audio.read(low, high), dtype=np.float64), start - low, high - stop


def original_levels(measured: Measured) -> MixLevels:
    """The original stays as it is unless its peaks leave no headroom below -1 dBTP."""
    peak = measured.true_peak_db
    gain_db = 0.0 if peak is None else min(0.0, CEILING_DBTP - HEADROOM_DB - peak)
    return _levels(measured, gain_db, 0.0)


def version_levels(measured: Measured, *, original: MixLevels) -> MixLevels:
    """The gain that brings a version to the original's loudness, its peaks under -1 dBTP."""
    wanted_db = original.gain_db
    if measured.loudness_lufs is not None and original.loudness_after is not None:
        wanted_db = original.loudness_after - measured.loudness_lufs
    peak = measured.true_peak_db
    gain_db = wanted_db if peak is None else min(wanted_db, CEILING_DBTP - peak)
    return _levels(measured, gain_db, wanted_db - gain_db)


def _levels(measured: Measured, gain_db: float, short_by_db: float) -> MixLevels:
    loudness, peak = measured.loudness_lufs, measured.true_peak_db
    return MixLevels(
        loudness_before=loudness,
        loudness_after=None if loudness is None else loudness + gain_db,
        gain_db=gain_db,
        true_peak_db=None if peak is None else peak + gain_db,
        short_by_db=short_by_db,
    )
