"""Engine `identity`: gives back what it gets; the double that tests stand in for an engine."""

from __future__ import annotations

import numpy as np

from retune.carriers.heard import Samples
from retune.repitch.seam import Passage


class Identity:
    """The engine that changes nothing."""

    name = "identity"
    about = "changes nothing (for tests)"
    context_s = 0.0
    exact = True
    follows = True
    needs_pitch = False
    judge = None

    def round_trips(self, cents: float) -> int:
        return 1

    def shift(self, passage: Passage) -> Samples:
        return np.array(passage.samples, dtype=np.float32)


ENGINE = Identity()
