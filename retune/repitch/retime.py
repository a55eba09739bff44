"""Moves in time rendered: a passage put together anew from its pieces.

Everything is copied sample by sample, earlier or later as a whole, but the vowels, which take up
the difference (`vowels`), and quiet where a rest grows. What does not move stays bit by bit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from retune.carriers.changes import Edit, StemRendition
from retune.carriers.errors import EngineError
from retune.carriers.heard import AudioLike, Note, PitchTrack, StemAnalysis
from retune.repitch.assembly import Voice
from retune.repitch.glide import offset_curve
from retune.repitch.patches import trimmed, without
from retune.repitch.pitch import passage_pitch
from retune.repitch.timeline import moved_notes

CONTEXT_S = 0.6
APART_S = 1.0


def retime(
    audio: AudioLike,
    *,
    stem: StemAnalysis,
    edits: Sequence[Edit],
    rendition: StemRendition,
    is_control: bool = False,
) -> StemRendition:
    """A rendition of pitch with its notes moved in time as well; `is_control`: out and back.

    Raises
    ------
    EngineError
        The stem has no pitch track, by which vowels are found.
    """
    timed = sorted((e for e in edits if e.moves_in_time), key=lambda e: e.start_s)
    if not timed:
        return rendition
    if stem.track is None or stem.role == "mix" or stem.inside:
        raise EngineError(
            f"stem {stem.name} (role {stem.role}) has no voice of its own to draw out; notes move "
            "in time in stems of one voice only"
        )
    patches = list(rendition.patches)
    shifts = {} if is_control else {e.note: e.shift_cents for e in edits if e.note is not None}
    warnings: list[str] = []
    for group in _groups(timed):
        passage = _passage(audio, stem, group, rendition, shifts)
        out = passage.moved(warnings)
        if is_control:
            out = out.moved([])
        stop = out.first + len(out.samples)
        patch = trimmed(out.first, out.samples, audio.read(out.first, stop))
        patches = without(patches, out.first, stop) + ([patch] if patch else [])
    patches.sort(key=lambda p: p.start)
    reason = f"{rendition.reason}; vowels are held and cut by whole pitch periods"
    said = tuple(f"{stem.name}: {text}" for text in dict.fromkeys(warnings))
    return replace(
        rendition,
        patches=tuple(patches),
        reason=reason,
        warnings=(*rendition.warnings, *said),
    )


def _groups(edits: Sequence[Edit]) -> list[list[Edit]]:
    """Edits whose surroundings touch."""
    groups: list[list[Edit]] = []
    for edit in edits:
        if groups and edit.reach[0] - max(e.reach[1] for e in groups[-1]) < APART_S:
            groups[-1].append(edit)
        else:
            groups.append([edit])
    return groups


def _passage(
    audio: AudioLike,
    stem: StemAnalysis,
    group: Sequence[Edit],
    rendition: StemRendition,
    shifts: dict[int, float],
) -> Voice:
    """What is read about a group of edits, at the pitch that the rendition gives it."""
    rate = audio.rate_hz
    start_s = min(e.reach[0] for e in group) - CONTEXT_S
    stop_s = max(e.reach[1] for e in group) + CONTEXT_S
    first, last = max(round(start_s * rate), 0), min(round(stop_s * rate), audio.n_samples)
    samples = rendition.apply(audio, first, last)
    indices = [e.note for e in group if e.note is not None]
    near = [n for n in stem.notes if n.end_s > start_s and n.start_s < stop_s]
    assert stem.track is not None
    f0_hz = passage_pitch(
        samples,
        rate_hz=rate,
        start_s=first / rate,
        track=_shifted(stem.track, near, shifts, start_s, stop_s),
        notes=tuple(
            replace(n, pitch_midi=n.pitch_midi + shifts.get(n.index, 0.0) / 100) for n in near
        ),
    )
    around = [n for n in stem.notes if min(indices) - 1 <= n.index <= max(indices) + 1]
    return Voice(samples, first, rate, f0_hz, moved_notes(around, group, rate_hz=rate, first=first))


def _shifted(
    track: PitchTrack,
    notes: Sequence[Note],
    shifts: dict[int, float],
    start_s: float,
    stop_s: float,
) -> PitchTrack:
    """The pitch track of a passage as its notes move in pitch."""
    a, b = np.searchsorted(track.time_s, [start_s - 0.1, stop_s + 0.1])
    part = PitchTrack(
        track.time_s[a:b], track.f0_hz[a:b], track.voiced_prob[a:b], track.energy_db[a:b]
    )
    cents = offset_curve(part, notes, [shifts.get(n.index, 0.0) for n in notes])
    return replace(part, f0_hz=part.f0_hz * 2.0 ** (cents / 1200))
