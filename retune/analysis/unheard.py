"""Places where a stem sounds and no note was heard: told, so that nobody takes them for silence."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from retune.analysis.corrections import Draft
from retune.carriers.heard import PitchTrack

LONG_S = 1.0
# As loud as the notes, nearly: what rings on after them, and what is heard of others, is softer.
BELOW_DB = 15.0
BRIDGE_S, QUIET_SHARE = 0.2, 0.7
PLACES_TOLD = 5


def unheard_spans(track: PitchTrack, notes: Sequence[Draft]) -> list[tuple[float, float]]:
    """(start_s, end_s) of every stretch of LONG_S and more without a note that is nearly as loud as
    the notes are."""
    if len(track.time_s) < 2 or not notes:
        return []
    covered = np.zeros(len(track.time_s), dtype=bool)
    for note in notes:
        a, b = np.searchsorted(track.time_s, [note.start_s - BRIDGE_S, note.end_s + BRIDGE_S])
        covered[a:b] = True
    if not covered.any() or covered.all():
        return []
    power = 10 ** (np.asarray(track.energy_db) / 10)
    usual_db = 10 * np.log10(max(float(np.median(power[covered])), 1e-12))
    loud = 10 * np.log10(np.maximum(power, 1e-12)) > usual_db - BELOW_DB
    edges = np.flatnonzero(np.diff(np.concatenate([[True], covered, [True]])))
    found = []
    for a, b in edges.reshape(-1, 2):
        at = np.flatnonzero(loud[a:b])
        if not len(at):
            continue
        first, last = a + int(at[0]), a + int(at[-1])
        start_s, end_s = float(track.time_s[first]), float(track.time_s[last])
        if end_s - start_s >= LONG_S and loud[first : last + 1].mean() >= QUIET_SHARE:
            found.append((start_s, end_s))
    return found


def unheard_words(stem: str, spans: Sequence[tuple[float, float]]) -> list[str]:
    """One warning on such stretches, with their places; none without any."""
    if not spans:
        return []
    told = ", ".join(f"{start_s:.1f} to {end_s:.1f} s" for start_s, end_s in spans[:PLACES_TOLD])
    more = f" and {len(spans) - PLACES_TOLD} more" if len(spans) > PLACES_TOLD else ""
    return [
        f"stem {stem}: it sounds from {told}{more}, but no note was heard there: listen; if it is "
        "sung, add the notes by hand, and if not, say so (no voice to S)"
    ]
