"""Level matching of versions to the original."""

from __future__ import annotations

import numpy as np
import pytest

from retune.carriers.heard import Audio
from retune.comparison.levels import (
    CEILING_DBTP,
    HEADROOM_DB,
    measure,
    measure_again,
    original_levels,
    version_levels,
)
from retune.comparison.loudness import integrated_lufs, true_peak_db
from retune.comparison.mix import Mix, MixPart
from retune.sound.audio import blocks_of

RATE = 16_000


def noise(seed: int, level: float = 0.05) -> Audio:
    rng = np.random.default_rng(seed)
    return Audio(rng.normal(0, level, (2 * RATE, 1)).astype(np.float32), RATE)


def test_a_version_comes_to_the_loudness_of_the_original() -> None:
    original = original_levels(measure(noise(1)))
    assert original.gain_db == 0
    softer = noise(2, 0.02)
    levels = version_levels(measure(softer), original=original)
    mix = Mix((MixPart(softer),)).louder_by(levels.gain_db)
    loudness = integrated_lufs(blocks_of(mix), RATE)
    assert loudness == pytest.approx(original.loudness_after, abs=0.001)
    assert levels.loudness_after == pytest.approx(loudness, abs=0.001)
    assert levels.true_peak_db == pytest.approx(true_peak_db(blocks_of(mix), RATE), abs=0.001)
    assert levels.short_by_db == 0


def test_a_loud_original_is_lowered_and_the_version_with_it() -> None:
    loud = noise(1, 0.4)
    original = original_levels(measure(loud))
    assert original.gain_db < 0
    assert original.true_peak_db == pytest.approx(CEILING_DBTP - HEADROOM_DB)
    same = version_levels(measure(loud), original=original)
    assert same.gain_db == pytest.approx(original.gain_db)


def test_peaks_stay_below_the_ceiling_even_when_loudness_must_give_way() -> None:
    original = original_levels(measure(noise(1, 0.2)))
    quiet = noise(2, 0.05)
    click = np.where(np.arange(2 * RATE)[:, None] == 9000, 0.9, quiet.samples)
    levels = version_levels(measure(Audio(click, RATE)), original=original)
    assert levels.true_peak_db == pytest.approx(CEILING_DBTP)
    assert levels.short_by_db > 1
    assert levels.loudness_after is not None
    assert original.loudness_after is not None
    short = original.loudness_after - levels.loudness_after
    assert short == pytest.approx(levels.short_by_db)


def test_silence_gets_the_gain_of_the_original() -> None:
    silent = Audio(np.zeros(RATE, np.float32), RATE)
    levels = version_levels(measure(silent), original=original_levels(measure(noise(1))))
    assert levels.gain_db == 0
    assert levels.loudness_after is None
    assert original_levels(measure(silent)).gain_db == 0


def test_a_version_is_measured_from_its_changed_spans_alone() -> None:
    """Against the whole measure, which has its own outside checks (ITU-R BS.1770 signals)."""
    rng = np.random.default_rng(5)
    for rate_hz in (8_000, 11_025, 44_100):
        sound = rng.normal(0, 0.1, (7 * rate_hz + 123, 2)).astype(np.float32)
        known = measure(Audio(sound, rate_hz))
        changed = sound.copy()
        spans = [(0, 500), (3 * rate_hz - 7, 3 * rate_hz + 4000), (len(sound) - 900, len(sound))]
        for start, stop in spans:
            changed[start:stop] = rng.normal(0, 0.3, (stop - start, 2))
        again = measure_again(known, Audio(changed, rate_hz), spans)
        whole = measure(Audio(changed, rate_hz))
        assert again.loudness_lufs == pytest.approx(whole.loudness_lufs, abs=1e-9)
        assert again.true_peak_db == pytest.approx(whole.true_peak_db, abs=1e-9)
        assert whole.true_peak_db == pytest.approx(true_peak_db(changed, rate_hz), abs=1e-9)
        assert known.loudness_lufs != pytest.approx(whole.loudness_lufs, abs=0.1)
