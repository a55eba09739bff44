"""Butterworth filters in second-order sections, as scipy.signal designs and runs them.

That module takes most of a second to import, which is most of what a short recording takes.
Design: bilinear transform of the analogue prototype with warped edges (Oppenheim and Schafer,
Discrete-Time Signal Processing, 3rd edition, section 7.2).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from retune.carriers.heard import FloatArray
from retune.sound.compiled import compiled

ComplexArray = NDArray[np.complex128]


def bandpass(order: int, low_hz: float, high_hz: float, *, rate_hz: float) -> FloatArray:
    """Sections (n, 6) of a band-pass of even `order` at each edge, 3 dB down at both."""
    low, high = (np.tan(np.pi * edge / rate_hz) for edge in (low_hz, high_hz))
    half = (high - low) / 2 * _prototype(order)
    root = np.sqrt(half**2 - low * high)
    poles = np.concatenate((half + root, half - root))
    middle = np.exp(2j * np.arctan(np.sqrt(low * high)))
    return _sections(poles, zeros=(-1.0, 1.0), unity_at=middle)


def _prototype(order: int) -> ComplexArray:
    """Poles of the analogue low-pass at 1 rad/s."""
    if order % 2:
        raise ValueError(f"the order is {order}; give an even one")
    places = np.arange(1 - order, order, 2)
    poles: ComplexArray = -np.exp(1j * np.pi * places / (2 * order))
    return poles


def _sections(
    poles: ComplexArray,
    *,
    zeros: tuple[float, float],
    unity_at: complex = 1.0 + 0.0j,
) -> FloatArray:
    """Digital sections from analogue poles in conjugate pairs, those farthest from the unit
    circle first; level 1 at the point `unity_at` of the circle."""
    digital = (1 + poles) / (1 - poles)
    upper = digital[digital.imag > 0]
    upper = upper[np.argsort(np.abs(upper))]
    numerator = np.array([1.0, -sum(zeros), zeros[0] * zeros[1]])
    sections = np.array([[*numerator, 1.0, -2 * p.real, abs(p) ** 2] for p in upper])
    powers = unity_at ** -np.arange(3)
    gain = np.prod(np.abs((sections[:, :3] @ powers) / (sections[:, 3:] @ powers)))
    sections[0, :3] /= gain
    out: FloatArray = sections
    return out


def filtered(
    sections: FloatArray, samples: FloatArray, state: FloatArray | None = None
) -> tuple[FloatArray, FloatArray]:
    """Samples (n,) through sections one after another, and the state (n_sections, 2) to go on
    from."""
    before = np.zeros((len(sections), 2)) if state is None else state.copy()
    out = np.array(samples, dtype=np.float64)
    _run(np.ascontiguousarray(sections), out, before)
    return out, before


@compiled
def _run(sections: FloatArray, samples: FloatArray, state: FloatArray) -> None:
    """Direct form II, transposed; in place."""
    for k in range(len(sections)):
        b0, b1, b2, _, a1, a2 = sections[k]
        s0, s1 = state[k]
        for i in range(len(samples)):
            x = samples[i]
            y = b0 * x + s0
            s0 = b1 * x - a1 * y + s1
            s1 = b2 * x - a2 * y
            samples[i] = y
        state[k, 0], state[k, 1] = s0, s1
