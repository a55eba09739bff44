"""How a moved note is sung: how it is reached from the note before, how much vibrato stays, and
whether its formants move."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from retune.carriers.changes import Edit
from retune.carriers.heard import FloatArray, Note
from retune.repitch.glide import Slide, smooth_step

GLIDE_S: Mapping[str, float] = {"slow": 0.3, "fast": 0.04}
"""How long a glide takes: as long as a portamento is heard as one, and as short as the quickest
slide between two notes on one vowel (from memory: 30 to 60 ms)."""
MOST_OF_NOTE = 0.6
# A window of two periods of a vibrato of 5.5 a second takes all of it out of a line (vibrato of
# singers: 5 to 7 a second, Sundberg 1994, "Acoustic and psychoacoustic aspects of vocal vibrato").
WINDOW_S = 0.36
SHORTEST_S = 0.25
EDGE_S = 0.08


def glided(
    slide: Slide, step_cents: float, by_cents: float, note: Note, glide: str
) -> list[tuple[Slide, float]]:
    """The slide into a note as another one: that of the singer, over `step_cents` from the note
    before, is taken away, and one of the wanted length laid over the whole way, which is
    `by_cents` longer."""
    length_s = min(GLIDE_S[glide], MOST_OF_NOTE * (note.end_s - note.start_s))
    start_s = float(np.sum(slide.weight * slide.start_s))
    middle_s = float(np.sum(slide.weight * (slide.start_s + slide.stop_s))) / 2
    begin_s = start_s if glide == "slow" else middle_s - length_s / 2
    one = np.ones(1)
    wanted = Slide(begin_s * one, (begin_s + length_s) * one, one)
    return [(slide, -step_cents), (wanted, step_cents + by_cents)]


def of_formants(edits: Sequence[Edit]) -> list[Edit]:
    """How the formants move: as the notes where they are to go with the pitch, else not at all."""
    return [
        replace(edit, shift_cents=edit.shift_cents if edit.formants else 0.0, glide="")
        for edit in edits
    ]


def vibrato_curve(
    f0_hz: FloatArray, edits: Sequence[Edit], *, first_s: float, frame_s: float
) -> FloatArray:
    """What to add to the pitch of each frame, in cents, so that so much vibrato stays as each edit
    says; 0 in notes too short to have one."""
    out = np.zeros(len(f0_hz))
    for edit in edits:
        if edit.vibrato == 1 or edit.end_s - edit.start_s < SHORTEST_S:
            continue
        a, b = (round((at_s - first_s) / frame_s) for at_s in (edit.start_s, edit.end_s))
        a, b = max(a, 0), min(b, len(f0_hz))
        out[a:b] += (edit.vibrato - 1) * _wave(f0_hz[a:b], frame_s)
    return out


def _wave(f0_hz: FloatArray, frame_s: float) -> FloatArray:
    """How a line of pitch sways about its own slow course, cents; fading in and out."""
    at, voiced = np.arange(float(len(f0_hz))), np.isfinite(f0_hz)
    if voiced.sum() * frame_s < SHORTEST_S:
        return np.zeros(len(f0_hz))
    line = np.interp(at, at[voiced], 1200 * np.log2(f0_hz[voiced] / 440.0))
    half = round(WINDOW_S / frame_s / 2)
    window = np.hanning(2 * half + 3)[1:-1]
    slow = np.convolve(np.pad(line, half, mode="reflect", reflect_type="odd"), window, "valid")
    time_s: FloatArray = at * float(frame_s)
    fade = smooth_step(time_s / EDGE_S) * smooth_step((time_s[-1] - time_s) / EDGE_S)
    return np.asarray(np.where(voiced, (line - slow / window.sum()) * fade, 0.0))
