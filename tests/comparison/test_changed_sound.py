"""A version told by its changed spans, put together again as a page does, is the whole version."""

from __future__ import annotations

import io

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import resample_poly

from retune.carriers.heard import Samples
from retune.comparison.changed_sound import ChangedSpan, changed_spans
from retune.comparison.encode import encode_audio, stored_rate_hz

RATE_HZ = 22_050


def spliced(original: Samples, gain: float, spans: tuple[ChangedSpan, ...]) -> Samples:
    """What `splice` of player.js makes, by numpy's interpolation."""
    out = gain * original.astype(np.float64)
    for span in spans:
        piece, _ = soundfile.read(io.BytesIO(span.audio_bytes), always_2d=True)
        n = min(len(piece), len(out) - span.at)
        (a, b), (c, d) = span.rise, span.fall
        k = np.arange(n)
        up = np.interp(k, (a, b), (0, 1)) if b > a else np.ones(n)
        down = np.interp(k, (c, d), (1, 0)) if d > c else np.ones(n)
        weight = np.minimum(up, down)[:, None]
        out[span.at : span.at + n] += weight * (piece[:n] - out[span.at : span.at + n])
    return out


def two_versions(changed: list[tuple[int, int]], n: int, gain: float) -> tuple[Samples, Samples]:
    time = np.arange(n) / RATE_HZ
    original = 0.3 * np.sin(2 * np.pi * 220 * time)[:, None].repeat(2, 1)
    version = original.copy()
    for a, b in changed:
        shape = np.hanning(b - a + 2)[1:-1, None]
        version[a:b] += 0.2 * shape * np.sin(2 * np.pi * 330 * time[a:b])[:, None]
    return original.astype(np.float32), (gain * version).astype(np.float32)


@given(
    edges=st.lists(st.integers(0, 6 * RATE_HZ - 1), min_size=2, max_size=6, unique=True),
    gain=st.floats(0.5, 1.0),
)
def test_lossless_spans_give_the_version_back(edges: list[int], gain: float) -> None:
    edges = sorted(edges)
    changed = list(zip(edges[::2], edges[1::2], strict=False))
    original, version = two_versions(changed, 6 * RATE_HZ, gain)
    spans = changed_spans(
        version,
        changed,
        rate_hz=RATE_HZ,
        stored_hz=RATE_HZ,
        code=lambda piece: encode_audio(piece, RATE_HZ, "flac"),
    )
    if spans is not None:
        assert np.abs(spliced(original, gain, spans) - version).max() < 2**-22


@pytest.mark.parametrize("at_s", [0.0, 1.3, 5.0])
def test_opus_keeps_clock_and_level(at_s: float) -> None:
    """Beyond the span the original's very samples; inside as near as the whole file comes."""
    changed = [(round(at_s * RATE_HZ), round((at_s + 1) * RATE_HZ))]
    original, version = two_versions(changed, 6 * RATE_HZ, 0.9)
    stored = stored_rate_hz(RATE_HZ, "opus")

    def code(piece: Samples) -> bytes:
        return encode_audio(piece, RATE_HZ, "opus")

    spans = changed_spans(version, changed, rate_hz=RATE_HZ, stored_hz=stored, code=code)
    assert spans is not None
    assert len(spans) == 1
    base, _ = soundfile.read(io.BytesIO(code(original)), always_2d=True)
    whole, _ = soundfile.read(io.BytesIO(code(version)), always_2d=True)
    ours = spliced(base, 0.9, spans)
    true = resample_poly(version, stored, RATE_HZ, axis=0)[: len(whole)]
    margin = round(0.2 * stored) + 1
    first, last = round(at_s * stored) - margin, round((at_s + 1) * stored) + margin
    outside = np.r_[0 : max(first, 0), min(last, len(base)) : len(base)]
    assert np.array_equal(ours[outside], 0.9 * base[outside])
    assert np.sqrt(np.mean((ours - true) ** 2)) < 1.2 * np.sqrt(np.mean((whole - true) ** 2))


def test_a_version_that_changes_throughout_is_one_file() -> None:
    _, version = two_versions([(0, 5 * RATE_HZ)], 6 * RATE_HZ, 1.0)
    spans = changed_spans(
        version, [(0, 5 * RATE_HZ)], rate_hz=RATE_HZ, stored_hz=24_000, code=bytes
    )
    assert spans is None
