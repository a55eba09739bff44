"""Notes of a melody inside a mix where a guide says roughly what they are.

The guide gives how many notes there are and about where; the pitch track, searched near them
alone, gives their bounds and their pitch. A note that the mix hardly shows stays where the guide
has it and is doubted. What a person corrects in a mix becomes its guide, since to move a note one
must know its harmonics, not its name alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from retune.analysis.corrections import Draft, apply_corrections
from retune.analysis.note_trust import DOUBTFUL, Heard
from retune.analysis.notes import find_notes
from retune.analysis.singer import with_singer
from retune.analysis.sonority import levels_in_mix
from retune.carriers.heard import AudioLike, FloatArray, PitchTrack, Singing
from retune.carriers.songfacts import Correction
from retune.carriers.units import hz_to_midi
from retune.song.guide import GuideNote

REACH_S = 0.12
# A sound that dies away hides its end: the guide is believed sooner there.
REACH_END_S = 0.06
NEAR = 1.5  # semitones
BRIDGE_S = 0.06
HEARD_SHARE = 0.35
JOINED_S = 0.03
EDGE_S = (0.06, 0.04)
# Odds of the melody, as the tracker hears them, that leave no doubt about a note of a guide.
SURE_PROB = 0.4
FAINT_DB, DIP_DB = 7.0, 14.0
NOT_HEARD = "not heard in the mix"
# Without a guide, what lies so far below the middle one of the notes is doubted.
SILENT_DB, SILENT_TRUST = 18.0, 0.3
SILENT = "it lies in near-silence beside the rest"
ELSEWHERE = "the melody may lie elsewhere here"


class Rough(Protocol):
    """A note that is roughly there: seconds and MIDI number."""

    @property
    def start_s(self) -> float: ...
    @property
    def end_s(self) -> float: ...
    @property
    def midi(self) -> float: ...


def drafts_of(heard: Sequence[Heard]) -> list[Draft]:
    """Notes as heard, before anything is put right by hand."""
    return [
        Draft(n.start_s, n.end_s, n.midi, n.confidence, n.doubt, singer=n.singer) for n in heard
    ]


def mix_notes(
    track: PitchTrack,
    guide: Sequence[GuideNote],
    singing: Singing | None = None,
    voice: AudioLike | None = None,
) -> tuple[Heard, ...]:
    """The notes of a melody in a mix, with the levels of the track and of the estimated `voice`,
    since those of the sound are everyone's; with `singing`, how likely each is sung at all."""
    if guide:
        heard = guided_notes(track, guide)
    else:
        levels = None if voice is None else levels_in_mix(track, voice)
        heard = _unguided(track, find_notes(track, levels=levels))
    return with_singer(heard, track, singing, is_told=bool(guide))


def _unguided(track: PitchTrack, heard: tuple[Heard, ...]) -> tuple[Heard, ...]:
    """Nobody said what is sung, so a note is trusted no more than the tracker's own odds that the
    melody is there; and what is much softer than most is doubted: what is left of the room or of
    a chord sounds like a note where nobody sings."""
    if not heard:
        return heard
    spans = [np.searchsorted(track.time_s, [note.start_s, note.end_s]) for note in heard]
    level_db = np.array([np.median(track.energy_db[a : max(b, a + 1)]) for a, b in spans])
    odds = [float(np.mean(track.voiced_prob[a : max(b, a + 1)])) for a, b in spans]
    soft = level_db < np.median(level_db) - SILENT_DB
    return tuple(
        _trusted_less(_trusted_less(note, odd, ELSEWHERE), SILENT_TRUST if is_soft else 1.0, SILENT)
        for note, odd, is_soft in zip(heard, odds, soft, strict=True)
    )


def _trusted_less(note: Heard, most: float, reason: str) -> Heard:
    if note.confidence <= most:
        return note
    doubt = note.doubt or (reason if most < DOUBTFUL else "")
    return replace(note, confidence=round(most, 3), doubt=doubt)


def corrected_guide(
    track: PitchTrack,
    guide: Sequence[GuideNote],
    corrections: Iterable[Correction],
    *,
    stem: str,
    singing: Singing | None = None,
    voice: AudioLike | None = None,
) -> tuple[tuple[Draft, ...], list[str]]:
    """The notes of a mix with what was put right by hand, to track the melody by once more; and
    warnings in words."""
    heard = drafts_of(mix_notes(track, guide, singing, voice))
    drafts, told = apply_corrections(heard, corrections, stem=stem)
    rough = [replace(d, midi=d.midi if d.named is None else float(d.named)) for d in drafts]
    return tuple(rough), told


def found_again(drafts: Sequence[Draft], heard: Sequence[Heard]) -> list[Draft]:
    """Corrected notes with the bounds and the pitch that the mix gives them. A person's word
    settles what a note is, not that it can be heard; a note that nobody touched is no surer for
    having been its own guide."""
    found = []
    for draft, note in zip(drafts, heard, strict=True):
        if draft.confidence == 1.0 and note.doubt != NOT_HEARD:
            sure, doubt = 1.0, ""
        elif draft.confidence < note.confidence:
            sure, doubt = draft.confidence, draft.doubt
        else:
            sure, doubt = note.confidence, note.doubt
        found.append(
            replace(
                draft,
                start_s=note.start_s,
                end_s=note.end_s,
                midi=note.midi,
                confidence=sure,
                doubt=doubt,
                singer=1.0 if draft.singer is None else draft.singer,
            )
        )
    return found


def guided_notes(track: PitchTrack, guide: Sequence[Rough]) -> tuple[Heard, ...]:
    """One note for each of the guide, in order of time, not overlapping."""
    if len(track.time_s) < 2:
        return ()
    midi = np.asarray(hz_to_midi(np.where(track.f0_hz > 0, track.f0_hz, np.nan)), dtype=np.float64)
    limits = _limits(guide, track.time_s, midi)
    heard: list[Heard] = []
    for note, (low_s, high_s) in zip(guide, limits, strict=True):
        found = _one(note, low_s, high_s, track, midi)
        joined = bool(heard) and found.start_s - heard[-1].end_s < JOINED_S
        heard.append(
            Heard(found.start_s, found.end_s, found.midi, found.confidence, found.doubt, joined)
        )
    return tuple(heard)


def _limits(
    guide: Sequence[Rough], time_s: FloatArray, midi: FloatArray
) -> list[tuple[float, float]]:
    """How far each note may reach: between neighbours the moment of the change of pitch."""
    starts = [max(note.start_s - REACH_S, 0.0) for note in guide]
    ends = [note.end_s + REACH_END_S for note in guide]
    for k in range(len(guide) - 1):
        before, after = guide[k], guide[k + 1]
        if ends[k] > starts[k + 1]:
            ends[k] = starts[k + 1] = _border(before, after, time_s, midi)
    return [(a, max(b, a + 0.02)) for a, b in zip(starts, ends, strict=True)]


def _border(before: Rough, after: Rough, time_s: FloatArray, midi: FloatArray) -> float:
    """Where the line passes from one pitch to the next, near where the guide has it."""
    middle_s = 0.5 * (before.end_s + after.start_s)
    reach = min(REACH_S, 0.4 * (before.end_s - before.start_s), 0.4 * (after.end_s - after.start_s))
    a, b = np.searchsorted(time_s, [middle_s - reach, middle_s + reach])
    line = midi[a:b]
    if abs(after.midi - before.midi) < 0.7 or np.isfinite(line).sum() < 3:
        return middle_s
    nearer = np.where(
        np.isfinite(line), np.abs(line - after.midi) < np.abs(line - before.midi), False
    )
    unknown = ~np.isfinite(line)
    # The split that puts the fewest frames on the wrong side; the one nearest the guide of equals.
    wrong = np.concatenate([[0], np.cumsum(nearer & ~unknown)]) + np.concatenate(
        [np.cumsum((~nearer & ~unknown)[::-1])[::-1], [0]]
    )
    places = np.append(time_s[a:b], time_s[b - 1]) if b > a else np.array([middle_s])
    cost = wrong + 0.01 * np.abs(places - middle_s) / max(reach, 1e-3)
    return float(places[int(np.argmin(cost))])


def _one(note: Rough, low_s: float, high_s: float, track: PitchTrack, midi: FloatArray) -> Heard:
    a, b = np.searchsorted(track.time_s, [low_s, high_s])
    near = np.abs(midi[a:b] - note.midi) <= NEAR
    free = low_s <= note.start_s - REACH_S + 1e-9, high_s >= note.end_s + REACH_END_S - 1e-9
    run = _longest(near, gap=max(int(BRIDGE_S / track.hop_s), 1))
    run = _clear(run, track.energy_db[a:b], free=free)
    length = note.end_s - note.start_s
    if run is None or (run[1] - run[0]) * track.hop_s < HEARD_SHARE * length:
        start_s, end_s = max(note.start_s, low_s), min(note.end_s, high_s)
        return Heard(start_s, max(end_s, start_s + 0.02), note.midi, 0.1, NOT_HEARD)
    start_s, end_s = (float(track.time_s[a + i]) for i in (run[0], run[1] - 1))
    head, tail = (min(edge, 0.2 * (end_s - start_s)) for edge in EDGE_S)
    c, d = np.searchsorted(track.time_s, [start_s + head, end_s - tail])
    inside = slice(c, max(d, c + 1))
    line = midi[inside][np.isfinite(midi[inside])]
    pitch = float(np.median(line)) if len(line) else note.midi
    prob = float(np.mean(track.voiced_prob[inside]))
    spread = float(np.percentile(np.abs(line - pitch), 75)) if len(line) else 1.0
    reasons = {
        "faint in the mix": float(np.clip(prob / SURE_PROB, 0.05, 1.0)),
        "much of it is not heard in the mix": float(
            np.clip((end_s - start_s) / max(length, 0.05), 0.2, 1.0)
        ),
        "it lies far from the guide's note": float(
            np.clip(1.3 - 0.9 * abs(pitch - note.midi), 0.2, 1.0)
        ),
        "the pitch does not settle": float(np.clip(1.25 - spread / 0.8, 0.2, 1.0)),
    }
    confidence = round(float(np.prod(list(reasons.values()))), 3)
    doubt = min(reasons, key=lambda name: reasons[name]) if confidence < DOUBTFUL else ""
    return Heard(start_s, end_s, pitch, confidence, doubt)


def _clear(
    run: tuple[int, int] | None, level_db: FloatArray, *, free: tuple[bool, bool]
) -> tuple[int, int] | None:
    """The run without ends that are much softer than the rest of it: there it is a chord that
    goes on, or the room."""
    if run is None:
        return None
    inside = level_db[slice(*run)] - float(np.median(level_db[slice(*run)]))
    # Beside a neighbour only a deep dip parts the two: a consonant.
    first, last = (FAINT_DB if edge else DIP_DB for edge in free)
    above = np.flatnonzero(inside >= -first), np.flatnonzero(inside >= -last)
    return run[0] + int(above[0][0]), run[0] + int(above[1][-1]) + 1


def _longest(near: NDArray[np.bool_], *, gap: int) -> tuple[int, int] | None:
    """[start, stop) of the longest stretch of True, holes of up to `gap` frames bridged."""
    at = np.flatnonzero(near)
    if not len(at):
        return None
    cuts = np.flatnonzero(np.diff(at) > gap)
    firsts = np.concatenate([[0], cuts + 1])
    lasts = np.concatenate([cuts, [len(at) - 1]])
    best = int(np.argmax(at[lasts] - at[firsts]))
    return int(at[firsts[best]]), int(at[lasts[best]]) + 1
