"""The networks that part a voice from a mix, against TensorFlow and against plain convolutions."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.signal import convolve2d

from retune.separate import unet
from retune.sound.netlayers import Floats

TRUTH = Path(__file__).with_name("unet_truth.npz")


def test_both_networks_answer_as_tensorflow_does() -> None:
    """The truth is TensorFlow's, with the weights as shipped (read_voice_nets.py --truth)."""
    with np.load(TRUTH) as truth:
        for net, name in zip(unet.networks(), ("voice", "rest"), strict=True):
            found = unet.answer(net, truth["given"])
            np.testing.assert_allclose(found, truth[name], atol=2e-5 * truth[name].max(), rtol=0)


@pytest.fixture
def drawn() -> tuple[Floats, Floats]:
    rng = np.random.default_rng(5)
    return (
        rng.normal(size=(8, 12, 3)).astype(np.float32),
        rng.normal(size=(5, 5, 3, 4)).astype(np.float32),
    )


def test_halving_is_every_second_place_of_a_correlation(drawn: tuple[Floats, Floats]) -> None:
    x, weight = drawn
    full = sum(
        np.stack([_correlated(x[:, :, i], weight[:, :, i, o]) for o in range(4)], axis=2)
        for i in range(3)
    )
    # "Same" padding of an even length in steps of two begins one place before the first.
    np.testing.assert_allclose(unet.halved(x, weight), full[1::2, 1::2], rtol=1e-4, atol=1e-4)


def test_doubling_is_a_convolution_of_the_spread_out_input(drawn: tuple[Floats, Floats]) -> None:
    x, weight = drawn
    spread = np.zeros((16, 24, 3), np.float32)
    spread[::2, ::2] = x
    full = sum(
        np.stack(
            [convolve2d(spread[:, :, i], weight[:, :, i, o])[1:17, 1:25] for o in range(4)], axis=2
        )
        for i in range(3)
    )
    np.testing.assert_allclose(unet.doubled(x, weight), full, rtol=1e-4, atol=1e-4)


def test_the_share_of_silence_is_a_half_and_of_any_mix_between_none_and_all() -> None:
    silent = unet.voice_share(np.zeros((10, 20, 2), np.float32))
    assert silent.shape == (10, 20, 2)
    np.testing.assert_allclose(silent, 0.5)
    rng = np.random.default_rng(6)
    found = unet.voice_share(rng.gamma(1.0, 20.0, (512, 1024, 2)).astype(np.float32))
    assert 0 <= found.min() < found.max() <= 1


def _correlated(x: Floats, kernel: Floats) -> Floats:
    """Place k is the kernel's middle on x[k - 1 + 1]: the same size as x."""
    return np.asarray(convolve2d(np.pad(x, ((2, 2), (2, 2))), kernel[::-1, ::-1], mode="valid"))
