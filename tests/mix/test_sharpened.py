"""In a mix the estimated voice says what pitch it is, the path through the mix which one."""

import numpy as np

from retune.analysis.sonority import UNHEARD_DB, VOICE_SHARE, levels_in_mix, levels_of_track
from retune.carriers.heard import Audio, PitchTrack
from retune.track.sharpened import sharpened

RATE_HZ, HOP_S, VOICE_HZ = 22050, 256 / 22050, 220.0


def voice() -> Audio:
    """Ten harmonics of one pitch, for a second."""
    time_s = np.arange(RATE_HZ) / RATE_HZ
    waves = [np.sin(2 * np.pi * k * VOICE_HZ * time_s) / k for k in range(1, 11)]
    return Audio(0.1 * np.sum(waves, axis=0).astype(np.float32)[:, None], RATE_HZ)


def path(f0_hz: float) -> PitchTrack:
    """A track at one pitch, silent in its last ten frames."""
    n = int(1 / HOP_S)
    line, level = np.full(n, f0_hz), np.full(n, -20.0)
    line[-10:], level[-10:] = np.nan, -120.0
    return PitchTrack(np.arange(n) * HOP_S, line, np.isfinite(line) * 0.9, level, "mix")


def cents(f0_hz: np.ndarray) -> np.ndarray:
    return np.asarray(1200 * np.log2(f0_hz / VOICE_HZ))


def read(found: PitchTrack, share_db: float) -> np.ndarray:
    share = np.full(len(found.f0_hz), share_db)
    return sharpened(found, share, voice(), fmin_hz=65.0, fmax_hz=1200.0).f0_hz


def test_a_pitch_on_the_grid_becomes_that_of_the_voice() -> None:
    heard = read(path(VOICE_HZ * 2 ** (40 / 1200)), share_db=-1.0)
    assert np.abs(cents(heard[5:-15])).max() < 2.0
    assert np.isnan(heard[-10:]).all()


def test_where_the_estimate_is_weak_or_far_away_the_path_stands() -> None:
    near, octave = path(VOICE_HZ * 2 ** (40 / 1200)), path(2 * VOICE_HZ)
    assert np.array_equal(read(near, -20.0), near.f0_hz, equal_nan=True)
    assert np.array_equal(read(octave, -1.0), octave.f0_hz, equal_nan=True)


def test_levels_in_a_mix_lie_between_those_of_the_path_and_of_the_estimate() -> None:
    track = path(VOICE_HZ)
    slow, found = levels_of_track(track), levels_in_mix(track, voice())
    alone = levels_in_mix(path(VOICE_HZ), Audio(np.zeros((RATE_HZ, 1), np.float32), RATE_HZ))
    at, end = found.index(0.5), found.index(0.97)
    own_db = (found.full_db[at] - (1 - VOICE_SHARE) * slow.full_db[at]) / VOICE_SHARE
    # The level of a sum of sines is half the sum of their squares (closed form).
    truth_db = 10 * np.log10(0.5 * 0.01 * np.sum(1 / np.arange(1.0, 11.0) ** 2))
    assert abs(own_db - truth_db) < 0.3
    assert abs(alone.full_db[end] - ((1 - VOICE_SHARE) * UNHEARD_DB - VOICE_SHARE * 100)) < 1e-6
