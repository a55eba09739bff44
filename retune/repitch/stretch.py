"""Engine `stretch`: any sound, many voices at once; python-stretch, which comes as a wheel.

It works on the spectrum, moves formants along and blurs attacks a little; for one voice use
`psola`.
"""

from __future__ import annotations

import numpy as np

from retune.carriers.errors import EngineError
from retune.carriers.heard import Samples
from retune.repitch.seam import Passage

SEED = 1


class Stretch:
    """The engine that shifts the whole spectrum of a span."""

    name = "stretch"
    about = "spectral shift of whole spans; chords and many voices"
    context_s = 0.35
    exact = False
    follows = False
    needs_pitch = False
    judge = None

    def round_trips(self, cents: float) -> int:
        return 1

    def shift(self, passage: Passage) -> Samples:
        try:
            from python_stretch import Signalsmith
        except ImportError as error:
            raise EngineError(
                'engine "stretch" needs the package python-stretch: pip install python-stretch '
                "(on Linux with an ARM processor it is built, which needs a C++ compiler)"
            ) from error
        x = np.asarray(passage.samples, dtype=np.float32).T
        stretch = Signalsmith.Stretch(SEED)
        stretch.preset(x.shape[0], passage.rate_hz)
        stretch.setTransposeSemitones(passage.main_offset / 100)
        # the binding already takes its delay out; the padding only lets the last block through
        ahead = stretch.inputLatency() + stretch.outputLatency()
        padded = np.pad(x, ((0, 0), (0, ahead)))
        out = np.asarray(stretch.process(np.ascontiguousarray(padded)))
        return np.ascontiguousarray(out[:, : x.shape[1]].T, dtype=np.float32)


ENGINE = Stretch()
