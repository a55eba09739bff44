"""Mixing."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from retune.carriers.changes import Patch, StemRendition
from retune.carriers.errors import AudioError
from retune.carriers.heard import Audio, AudioLike
from retune.comparison.mix import Mix, MixPart, passage
from retune.sound.audio import blocks_of

RATE = 16_000


def noise(seed: int, n: int, channels: int = 1, level: float = 0.1) -> Audio:
    rng = np.random.default_rng(seed)
    return Audio(rng.normal(0, level, (n, channels)).astype(np.float32), RATE)


def test_sum_is_padded_to_the_longest_and_mono_goes_to_both_channels() -> None:
    voice, harp = noise(1, 1000), noise(2, 1500, 2)
    mix = Mix((MixPart(voice, gain_db=-6.0), MixPart(harp)))
    assert (mix.n_samples, mix.n_channels, mix.rate_hz) == (1500, 2, RATE)
    assert isinstance(mix, AudioLike)
    out = mix.read()
    gain = 10 ** (-6 / 20)
    np.testing.assert_allclose(out[:1000], harp.samples[:1000] + gain * voice.samples, atol=1e-7)
    np.testing.assert_array_equal(out[1000:], harp.samples[1000:])


@settings(max_examples=30, deadline=None)
@given(st.integers(1, 900), st.integers(-20, 1400), st.integers(0, 1600))
def test_blocks_and_spans_equal_the_whole(size: int, start: int, length: int) -> None:
    patch = StemRendition("v", "identity", "", (Patch(200, noise(9, 300).samples),))
    mix = Mix((MixPart(noise(1, 1000), rendition=patch), MixPart(noise(2, 1500, 2))), gain_db=-2)
    whole = mix.read()
    np.testing.assert_array_equal(np.concatenate(list(blocks_of(mix, size=size))), whole)
    stop = start + length
    np.testing.assert_array_equal(mix.read(start, stop), whole[max(start, 0) : max(stop, 0)])


def test_a_rendition_changes_only_its_patches() -> None:
    voice = noise(1, 1000)
    patch = Patch(100, noise(5, 50).samples)
    plain, changed = (
        Mix((MixPart(voice, rendition=r),)).read()
        for r in (None, StemRendition("v", "psola", "", (patch,)))
    )
    np.testing.assert_array_equal(changed[100:150], patch.samples)
    np.testing.assert_array_equal(
        np.delete(changed, np.s_[100:150], 0), np.delete(plain, np.s_[100:150], 0)
    )


def test_stems_that_do_not_go_together() -> None:
    with pytest.raises(AudioError, match="8000 and 16000 Hz"):
        Mix((MixPart(noise(1, 10)), MixPart(Audio(np.zeros(10, np.float32), 8000))))
    with pytest.raises(AudioError, match="3 channels"):
        Mix((MixPart(noise(1, 10, 3)),))
    with pytest.raises(AudioError, match="no stems"):
        Mix(())


def test_passage_fades_only_where_it_cuts() -> None:
    audio = Audio(np.ones((RATE, 1), np.float32), RATE)
    middle = passage(audio, start_s=0.25, end_s=0.5)
    assert len(middle) == RATE // 4
    assert middle[0, 0] < 0.01
    assert middle[-1, 0] < 0.01
    assert middle[RATE // 8, 0] == 1
    np.testing.assert_array_equal(passage(audio), audio.samples)
    assert passage(audio, start_s=0.5, end_s=9.0)[-1, 0] == 1
    assert passage(audio, start_s=5.0).shape == (0, 1)
