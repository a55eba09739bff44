"""How likely each note of a mix is sung at all, and not played.

A voice never stands still, and the estimate of the voice holds it; what the estimate takes for one
may be a flute. Neither says enough of a single note: a singer sings on, so the notes near it are
asked too: logistic regression of each, and once more with what that says of its neighbours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from retune.analysis.corrections import Draft
from retune.analysis.note_trust import Heard
from retune.carriers.heard import SECOND_VOICE, FloatArray, PitchTrack, Singing

# Log odds of a note by itself: for each 10 dB of the estimated voice re the mix, for each doubling
# of how far the pitch strays from its middle, for each doubling of the length up to .3 s (a short
# note has no time to waver), for each e-fold of the tracker's own odds (a voice spreads over more
# pitches than a string), and a constant. Then how much these odds count, how much what the notes
# near it say, and a constant. Fitted by tests/bench/fit_singer.py on five singers.
ALONE = (1.15, 1.66, -2.16, 0.76, -6.6)
BESIDE = (0.64, 1.48, -1.47)
WAVER_CENTS, LENGTH_S, SHARE_DB, LEAST_PROB = (2.0, 64.0), (0.05, 0.3), (-40.0, 0.0), 1e-3
# How soon a note's word for its neighbour fades with the gap between them, how much of a note's
# length counts, how strong one note's word may be, and how much nobody's word weighs.
FADE_S, LONGEST_S, STRONGEST, NOBODY_S = 0.6, 1.0, 5.0, 0.3
# A person who gives a guide says that somebody sings there.
TOLD = 3.0
# Without a guide, what is hardly sung is no note, and what may well be played is doubted.
LEAST_SINGER, SURE_SINGER = 0.5, 0.6
NOT_SUNG = "nobody may be singing here"
LEAST_BESIDE = 0.5  # of a note's length, with a second voice


def with_singer(
    heard: Sequence[Heard], track: PitchTrack, singing: Singing | None, *, is_told: bool
) -> tuple[Heard, ...]:
    """Notes with how likely each is sung at all; `is_told` when a person said that they are. What
    is hardly sung is left out where nobody said so.

    Parameters
    ----------
    heard : sequence of Heard
        Notes of one line, in order of time.
    track : PitchTrack
        The line.
    singing : Singing or None
        How loud the estimated voice is in the mix; without it nothing is known.
    """
    if singing is None or not heard:
        return tuple(heard)
    odds = sung_odds(heard, evidence(heard, track, singing)) + (TOLD if is_told else 0.0)
    found = []
    for note, chance in zip(heard, np.round(1 / (1 + np.exp(-odds)), 3), strict=True):
        if is_told or chance >= LEAST_SINGER:
            doubt = NOT_SUNG if chance < SURE_SINGER else note.doubt
            found.append(replace(note, singer=float(chance), doubt=doubt))
    return tuple(found)


def beside_another(drafts: Sequence[Draft], singing: Singing | None) -> list[Draft]:
    """Notes with the doubt where a second voice sings for half of one or more: what a person put
    right is settled, and a graver doubt stays."""
    spans = () if singing is None else singing.second

    def is_asked(note: Draft) -> bool:
        is_settled = note.confidence == 1.0 and note.singer in (None, 1.0)
        return not (note.doubt or is_settled) and _covered(note, spans) >= LEAST_BESIDE

    return [replace(note, doubt=SECOND_VOICE) if is_asked(note) else note for note in drafts]


def _covered(note: Draft, spans: Sequence[tuple[float, float]]) -> float:
    """How much of a note lies in the spans, 0 to 1."""
    inside = sum(max(min(b, note.end_s) - max(a, note.start_s), 0.0) for a, b in spans)
    return inside / max(note.end_s - note.start_s, 1e-9)


def evidence(heard: Sequence[Heard], track: PitchTrack, singing: Singing) -> FloatArray:
    """What each note shows of being sung, in the units of `ALONE` without its constant:
    (n_notes, 4)."""
    return np.array([_shown(note, track, singing) for note in heard])


def sung_odds(heard: Sequence[Heard], shown: FloatArray) -> FloatArray:
    """Log odds (n_notes,) that each note is sung, by itself and by those near it."""
    alone = shown @ np.array(ALONE[:-1]) + ALONE[-1]
    own, others, constant = BESIDE
    return np.asarray(own * alone + others * said_near(heard, alone) + constant)


def said_near(heard: Sequence[Heard], alone: FloatArray) -> FloatArray:
    """What the other notes say of each (n_notes,): the mean of their odds `alone`, those nearest
    and longest first."""
    start_s, end_s = (np.array([getattr(n, name) for n in heard]) for name in ("start_s", "end_s"))
    gap_s = np.maximum(start_s - end_s[:, None], start_s[:, None] - end_s)
    weight = np.exp(-np.maximum(gap_s, 0) / FADE_S) * np.minimum(end_s - start_s, LONGEST_S)
    np.fill_diagonal(weight, 0.0)
    said = weight @ np.clip(alone, -STRONGEST, STRONGEST)
    return np.asarray(said / (weight.sum(axis=1) + NOBODY_S))


def _shown(note: Heard, track: PitchTrack, singing: Singing) -> tuple[float, ...]:
    a, b = (round(at_s / singing.hop_s) for at_s in (note.start_s, note.end_s))
    share = singing.share_db[a : max(b, a + 1)]
    share_db = np.clip(np.median(share), *SHARE_DB) if len(share) else SHARE_DB[0]
    c, d = np.searchsorted(track.time_s, [note.start_s, note.end_s])
    line = 1200 * np.log2(track.f0_hz[c + 3 : d - 2])
    line = line[np.isfinite(line)]
    stray = np.percentile(np.abs(line - np.median(line)), 75) if len(line) > 4 else 10.0
    prob = np.mean(track.voiced_prob[c : max(d, c + 1)]) if c < len(track.time_s) else 0.0
    return (
        float(share_db / 10),
        float(np.log2(np.clip(stray, *WAVER_CENTS))),
        float(np.log2(np.clip(note.end_s - note.start_s, *LENGTH_S))),
        float(np.log(np.clip(prob, LEAST_PROB, 1.0))),
    )
