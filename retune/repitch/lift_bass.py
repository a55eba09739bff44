"""Engine `lift-bass`: the bass moved inside a finished mix; approximate, and said to be so.

As `retune.repitch.lift`, but no higher than `TOP_HZ`: above it the chords stand on the harmonics
of a bass that plays their roots, and would move along.
"""

from __future__ import annotations

import numpy as np

from retune.carriers.changes import Edit, Verdict
from retune.carriers.heard import FloatArray, Note, PitchTrack, Samples
from retune.repitch.lift import move_within
from retune.repitch.pitch import passage_pitch
from retune.repitch.seam import FRAME_S, Passage
from retune.repitch.share import BASS

TOP_HZ = 250.0
LOWS_HZ, ORDER = 180.0, 4
CONTEXT_S = 0.35
LEAST_VOICED, DOUBTFUL = 0.5, 0.5


def bass_pitch(
    samples: Samples, *, rate_hz: int, start_s: float, track: PitchTrack, notes: tuple[Note, ...]
) -> FloatArray:
    """f0 of the bass every `FRAME_S` from `start_s` on over `samples`, NaN where it is silent;
    refined below the chords, where it is nearly alone."""
    from scipy.signal import butter, sosfiltfilt

    sos = butter(ORDER, LOWS_HZ, fs=rate_hz, output="sos")
    lows = sosfiltfilt(sos, np.asarray(samples, dtype=np.float64).mean(axis=1))
    return passage_pitch(
        lows[:, None].astype(np.float32), rate_hz=rate_hz, start_s=start_s, track=track, notes=notes
    )


def bass_verdict(
    passage: Passage, moved: Samples, *, edit: Edit, first_s: float, sure: float = 1.0
) -> Verdict:
    """What to expect of one edit of the bass; the passage begins at `first_s`, `sure` is how
    certain the note is. Never "clean": what is above `TOP_HZ` keeps the old pitch."""
    a, b = (round((t - first_s) / FRAME_S) for t in (edit.start_s, edit.end_s))
    voiced = np.isfinite(passage.f0_hz[max(a, 0) : max(b, a + 1)])
    share = float(np.mean(voiced)) if len(voiced) else 0.0
    word = "audible if you listen for it"
    text = f"moved below {TOP_HZ:.0f} Hz; its upper harmonics keep the old pitch"
    if share < LEAST_VOICED:
        word = "do not use"
        text = f"the bass is hardly heard here ({share:.0%} of the note has its pitch)"
    elif sure < DOUBTFUL:
        word, text = "do not use", f"the note itself is in doubt; {text}"
    return Verdict(edit.start_s, edit.end_s, word, text)


class LiftBass:
    """The engine that moves the bass inside a mix."""

    name = "lift-bass"
    about = "the bass moved inside a finished mix, below 250 Hz; approximate"
    context_s = CONTEXT_S
    exact = True
    follows = True
    needs_pitch = True
    judge = staticmethod(bass_verdict)

    def round_trips(self, cents: float) -> int:
        return 1

    def shift(self, passage: Passage) -> Samples:
        return move_within(passage, top_hz=TOP_HZ, comb=BASS)


ENGINE = LiftBass()
