"""Gains that put every version of a song at the loudness of its original mix.

Each version's gain depends on itself and the original only, never on which other versions are
made beside it, so that a batch gives the same bytes however it is cut into jobs.
"""

from __future__ import annotations

from dataclasses import dataclass

from retune.compare.loudness import integrated_lufs, true_peak_db
from retune.core.audio import blocks_of
from retune.core.carriers import AudioLike

CEILING_DBTP = -1.0  # EBU R 128: most true peak of a programme
HEADROOM_DB = 1.0  # kept free in the original, so that a version's own peaks fit when matched


@dataclass(frozen=True)
class Measured:
    """Integrated loudness (LUFS) and true peak (dBTP) of a mix; None for silence."""

    loudness_lufs: float | None
    true_peak_db: float | None


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
    """Loudness (ITU-R BS.1770) and true peak of a whole mix, read in blocks."""
    rate_hz = audio.rate_hz
    return Measured(
        integrated_lufs(blocks_of(audio), rate_hz), true_peak_db(blocks_of(audio), rate_hz)
    )


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
