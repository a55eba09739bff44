"""Engine `lift`: one voice moved inside a finished mix, and each move judged."""

from __future__ import annotations

from retune.carriers.heard import Samples
from retune.repitch.judge import verdict
from retune.repitch.lift import CONTEXT_S, move_within
from retune.repitch.seam import Passage


class Lift:
    """The engine that lifts a voice out of a mix, moves it and puts it back."""

    name = "lift"
    about = "one voice moved inside a finished mix, lifted out by its harmonics; approximate"
    context_s = CONTEXT_S
    exact = True
    follows = True
    needs_pitch = True
    judge = staticmethod(verdict)

    def round_trips(self, cents: float) -> int:
        return 1

    def shift(self, passage: Passage) -> Samples:
        return move_within(passage)


ENGINE = Lift()
