"""From edits to passages: which samples may change, what is read, how far each frame moves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial

import numpy as np

from retune.carriers.changes import Edit
from retune.carriers.heard import AudioLike, FloatArray, Note, Samples, StemAnalysis
from retune.repitch.change import change_curve
from retune.repitch.cuts import cut_times
from retune.repitch.doubts import doubts
from retune.repitch.glide import Change, Slide, cut_at, slides_of, smooth_step
from retune.repitch.lift_bass import bass_pitch
from retune.repitch.manner import glided, of_formants, vibrato_curve
from retune.repitch.mix_pitch import mix_pitch
from retune.repitch.pitch import frame_count, guide, passage_pitch
from retune.repitch.seam import FRAME_S, Engine, Passage
from retune.repitch.tails import Tail, sounding_on, with_tails

JOIN_S = 0.075
NEIGHBOUR_S = 0.35
CUT_FADE_S = 0.02
CLOSE_S = 0.01
MARGIN_PERIODS = 1.5
MIN_MARGIN_S = 0.008


@dataclass(frozen=True, eq=False)
class Group:
    """Edits whose surroundings touch, and the samples [start, stop) that may change for them."""

    edits: tuple[Edit, ...]
    start: int
    stop: int


@dataclass(frozen=True, eq=False)
class Part:
    """A passage that begins at sample `first` of the stem, and the samples [start, stop) that
    it replaces; over `fade` samples at both ends new and old are crossfaded."""

    first: int
    passage: Passage
    start: int
    stop: int
    fade: int


@dataclass(frozen=True, eq=False)
class Work:
    """A group made ready: one part, or one for each edit."""

    group: Group
    parts: tuple[Part, ...]
    warnings: tuple[str, ...] = ()


def group_edits(
    edits: Sequence[Edit], *, audio: AudioLike, tails: Mapping[int, Tail] | None = None
) -> list[Group]:
    """Edits joined where the 75 ms beside them and their tails touch; every edit must move
    something."""
    rate, n = audio.rate_hz, audio.n_samples
    groups: list[Group] = []
    for edit in sorted(edits, key=lambda e: e.start_s):
        start = max(int(np.ceil((edit.start_s - JOIN_S) * rate)), 0)
        tail = None if edit.note is None else (tails or {}).get(edit.note)
        end_s = edit.end_s if tail is None else tail.stop_s
        stop = min(int(np.floor((end_s + JOIN_S) * rate)), n)
        if groups and start <= groups[-1].stop:
            last = groups.pop()
            groups.append(Group((*last.edits, edit), last.start, max(last.stop, stop)))
        else:
            groups.append(Group((edit,), start, stop))
    return groups


def _relative(note: Note, start_s: float) -> Note:
    return replace(note, start_s=note.start_s - start_s, end_s=note.end_s - start_s)


def _changes(samples: Samples, rate_hz: int, n_frames: int) -> Change:
    """How much any times look like a border of two sounds; worked out when first asked."""

    @cache
    def curve() -> FloatArray:
        x = guide(samples)
        return change_curve(x, rate_hz=rate_hz, frame_s=FRAME_S, n_frames=n_frames)

    return lambda time_s: np.interp(time_s, np.arange(n_frames) * FRAME_S, curve())


def _note_slides(
    edits: Sequence[Edit],
    notes: tuple[Note, ...],
    f0_hz: FloatArray,
    first_s: float,
    change: Change,
) -> list[tuple[Slide, float]]:
    """Slides of the edits that move notes; times from the start of the passage."""
    moved = {edit.note: edit.shift_cents for edit in edits if edit.note is not None}
    if not moved:
        return []
    time_s = np.arange(len(f0_hz), dtype=np.float64) * FRAME_S
    shifts = [moved.get(note.index, 0.0) for note in notes]
    local = [_relative(note, first_s) for note in notes]
    into = {
        edit.note: partial(glided, glide=edit.glide)
        for edit in edits
        if edit.note is not None and edit.glide
    }
    return slides_of(time_s, f0_hz, notes=local, shifts=shifts, change=change, into=into)


def _curve(
    slides: Sequence[tuple[Slide, float]], *, n: int, low_s: float, high_s: float
) -> FloatArray:
    """Offset of each frame, 0 outside [low_s, high_s].

    A slide that goes on beyond them is followed up to CLOSE_S before the end, and closed there:
    pressing all of it in between would bend more of the pitch, and by more.
    """
    time_s = np.arange(n, dtype=np.float64) * FRAME_S
    begun = smooth_step((time_s - low_s) / CLOSE_S)
    closed = smooth_step((time_s - high_s) / CLOSE_S + 1)
    out = np.zeros(n)
    for slide, cents in slides:
        progress = begun * slide.progress(time_s)
        out += cents * (progress + closed * (1 - progress))
    out[(time_s <= low_s) | (time_s >= high_s) | (np.abs(out) < 1e-9)] = 0.0
    return out


def _span_slides(
    edits: Sequence[Edit], cuts: Sequence[tuple[float, float]], first_s: float
) -> list[tuple[Slide, float]]:
    """Steps into and out of spans that move as a whole."""
    found = []
    for edit, (begin_s, end_s) in zip(edits, cuts, strict=True):
        found.append((cut_at(begin_s - first_s), edit.shift_cents))
        found.append((cut_at(end_s - first_s), -edit.shift_cents))
    return found


def prepare(
    group: Group,
    *,
    audio: AudioLike,
    stem: StemAnalysis,
    engine: Engine,
    voice: AudioLike | None = None,
    tails: Mapping[int, Tail] | None = None,
) -> Work:
    """Read what a group needs and work out its pitch and its offsets; `voice` is the voice in a
    mix as estimated.

    Spans are moved one by one by a constant offset where the engine does not join by itself,
    and so is everything where it cannot follow a curve.
    """
    spans = all(edit.note is None for edit in group.edits)
    if not engine.follows or (spans and not engine.exact):
        return _work_by_spans(group, audio, stem, engine)
    rate, n_samples = audio.rate_hz, audio.n_samples
    context = round(max(engine.context_s, NEIGHBOUR_S) * rate)
    first, last = max(group.start - context, 0), min(group.stop + context, n_samples)
    samples, first_s = audio.read(first, last), first / rate
    notes = tuple(n for n in stem.notes if n.end_s > first_s and n.start_s < last / rate)
    f0_hz = _pitch(samples, rate, first_s, stem, notes, engine)
    if tails:
        here = [tails[n.index] for n in notes if n.index in tails]
        f0_hz = sounding_on(f0_hz, here, first_s=first_s)
        notes = with_tails(notes, tails)
    change = _changes(samples, rate, len(f0_hz))
    known = {note.index for note in notes}
    cut = [edit for edit in group.edits if edit.note not in known]
    cuts = cut_times(cut, audio=audio, reach_s=JOIN_S)
    margin = _margin_s(f0_hz)
    low = group.start / rate - first_s if group.start > 0 else -1.0
    high = group.stop / rate - first_s if group.stop < n_samples else len(f0_hz) * FRAME_S + 1

    def course(edits: Sequence[Edit]) -> FloatArray:
        slides = _note_slides(edits, notes, f0_hz, first_s, change)
        slides += _span_slides([e for e in edits if e.note not in known], cuts, first_s)
        return _curve(slides, n=len(f0_hz), low_s=low + margin, high_s=high - margin)

    curve = course(group.edits)
    curve += vibrato_curve(f0_hz, group.edits, first_s=first_s, frame_s=FRAME_S)
    estimate = None if voice is None or stem.role != "mix" else voice.read(first, last)
    formants = course(of_formants(group.edits)) if any(e.formants for e in group.edits) else None
    passage = Passage(samples, rate, f0_hz, curve, voice=estimate, formant_cents=formants)
    part = Part(first, passage, group.start, group.stop, round(margin * rate))
    alone = stem.track is not None and stem.role != "mix" and not stem.inside
    warnings = doubts(group.edits, passage, first_s=first_s) if alone else ()
    return Work(group, (part,), warnings)


def _pitch(
    samples: Samples,
    rate_hz: int,
    first_s: float,
    stem: StemAnalysis,
    notes: tuple[Note, ...],
    engine: Engine,
) -> FloatArray:
    """f0 of every frame; NaN all along for a stem without a track. One voice of a mix has a
    pitch of its own only where it is lifted out."""
    is_mixed = stem.role == "mix" or bool(stem.inside)
    if stem.track is None or (is_mixed and not engine.needs_pitch):
        return np.full(frame_count(len(samples), rate_hz), np.nan)
    pitch_of = passage_pitch
    if is_mixed:
        pitch_of = bass_pitch if stem.inside else mix_pitch
    return pitch_of(samples, rate_hz=rate_hz, start_s=first_s, track=stem.track, notes=notes)


def _work_by_spans(group: Group, audio: AudioLike, stem: StemAnalysis, engine: Engine) -> Work:
    """Each edit as a span of its own, cut where it is quiet."""
    rate, n_samples = audio.rate_hz, audio.n_samples
    context = round(engine.context_s * rate)
    parts = []
    bounds = span_bounds(group.edits, audio=audio)
    for edit, (start, stop) in zip(group.edits, bounds, strict=True):
        first, last = max(start - context, 0), min(stop + context, n_samples)
        samples = audio.read(first, last)
        f0_hz = _pitch(samples, rate, first / rate, stem, stem.notes, engine)
        level = np.full(len(f0_hz), edit.shift_cents)
        formants = level if edit.formants else None
        passage = Passage(samples, rate, f0_hz, level, steady=True, formant_cents=formants)
        parts.append(Part(first, passage, start, stop, round(CUT_FADE_S * rate)))
    return Work(group, tuple(parts))


def span_bounds(edits: Sequence[Edit], *, audio: AudioLike) -> list[tuple[int, int]]:
    """The samples [start, stop) that each edit may change as a span, cut where it is quiet."""
    rate, half = audio.rate_hz, CUT_FADE_S / 2
    found = []
    for begin_s, end_s in cut_times(edits, audio=audio, reach_s=JOIN_S - half):
        start = max(round((begin_s - half) * rate), 0) if begin_s > half else 0
        found.append((start, max(min(round((end_s + half) * rate), audio.n_samples), start)))
    return found


def _margin_s(f0_hz: FloatArray) -> float:
    """Room for the last grains before the limit: a period and a half of the lowest pitch."""
    voiced = f0_hz[np.isfinite(f0_hz)]
    if not len(voiced):
        return MIN_MARGIN_S
    return float(np.clip(MARGIN_PERIODS / voiced.min(), MIN_MARGIN_S, 0.6 * JOIN_S))
