"""Engine `world`: analysis and synthesis with the WORLD vocoder (extra `world`).

Morise, Yokomori & Ozawa 2016, "WORLD: a vocoder-based high-quality speech synthesis system for
real-time applications". Everything is made anew, consonants too; one voice only.
"""

from __future__ import annotations

import numpy as np

from retune.carriers.errors import EngineError
from retune.carriers.heard import FloatArray, Samples
from retune.carriers.install import how_to_add
from retune.repitch.seam import FRAME_S, Passage

LOWEST_HZ = 32.0


def _moved(spectra: FloatArray, ratio: FloatArray) -> FloatArray:
    """Each spectrum of (n_frames, n_bins) with what lies at a frequency at `ratio` times it."""
    bins = np.arange(spectra.shape[1], dtype=np.float64)
    rows = [np.interp(bins / r, bins, row) for r, row in zip(ratio, spectra, strict=True)]
    return np.ascontiguousarray(rows)


class World:
    """The engine that makes a voice anew from pitch, envelope and noise."""

    name = "world"
    about = "vocoder; one voice, everything made anew (extra: world)"
    context_s = 0.1
    exact = False
    follows = True
    needs_pitch = True
    judge = None

    def round_trips(self, cents: float) -> int:
        return 1

    def shift(self, passage: Passage) -> Samples:
        try:
            import pyworld
        except ImportError as error:
            raise EngineError(
                f'engine "world" needs the extra "world"; run: {how_to_add("world")}'
            ) from error
        f0_hz = np.nan_to_num(passage.f0_hz, nan=0.0)
        time_s = np.arange(len(f0_hz)) * FRAME_S
        moved = f0_hz * 2.0 ** (passage.offset_cents / 1200)
        rate, n = passage.rate_hz, len(passage.samples)
        ratio = None if passage.formant_cents is None else 2.0 ** (passage.formant_cents / 1200)

        def one(x: FloatArray) -> FloatArray:
            size = pyworld.get_cheaptrick_fft_size(rate, LOWEST_HZ)
            envelope = pyworld.cheaptrick(x, f0_hz, time_s, rate, fft_size=size)
            noise = pyworld.d4c(x, f0_hz, time_s, rate, fft_size=size)
            if ratio is not None:
                envelope, noise = _moved(envelope, ratio), _moved(noise, ratio)
            y = pyworld.synthesize(moved, envelope, noise, rate, FRAME_S * 1000)
            return np.asarray(np.pad(y, (0, max(n - len(y), 0)))[:n])

        channels = np.asarray(passage.samples, dtype=np.float64).T
        made = [one(np.ascontiguousarray(channel)) for channel in channels]
        return np.ascontiguousarray(np.stack(made, axis=1), dtype=np.float32)


ENGINE = World()
