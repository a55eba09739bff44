"""From edits to passages: which samples may change, what is read, how far each frame moves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from retune.core.carriers import AudioLike, Edit, FloatArray, Note, Samples, StemAnalysis
from retune.repitch.change import change_curve
from retune.repitch.glide import Change, Slide, cut_at, slides_of
from retune.repitch.pitch import guide, passage_pitch
from retune.repitch.seam import FRAME_S, Engine, Passage

JOIN_S = 0.075
NEIGHBOUR_S = 0.35
CUT_FADE_S = 0.02
QUIET_S = 0.01
MARGIN_PERIODS = 1.5
MIN_MARGIN_S = 0.008
MIN_VOICED = 0.2


@dataclass(frozen=True, eq=False)
class Group:
    """Edits whose surroundings touch, and the samples [start, stop) that may change for them."""

    edits: tuple[Edit, ...]
    start: int
    stop: int


@dataclass(frozen=True, eq=False)
class Work:
    """A group made ready: the passage begins at sample `first` of the stem. Over the first and
    last `fade` samples of the group, new and old are crossfaded."""

    group: Group
    first: int
    passage: Passage
    fade: int
    warnings: tuple[str, ...] = ()


def group_edits(edits: Sequence[Edit], *, audio: AudioLike) -> list[Group]:
    """Edits joined where the 75 ms beside them touch; every edit must move something."""
    rate, n = audio.rate_hz, audio.n_samples
    groups: list[Group] = []
    for edit in sorted(edits, key=lambda e: e.start_s):
        start = max(int(np.ceil((edit.start_s - JOIN_S) * rate)), 0)
        stop = min(int(np.floor((edit.end_s + JOIN_S) * rate)), n)
        if groups and start <= groups[-1].stop:
            last = groups.pop()
            groups.append(Group((*last.edits, edit), last.start, max(last.stop, stop)))
        else:
            groups.append(Group((edit,), start, stop))
    return groups


def quiet_point(samples: Samples, *, rate_hz: int) -> float:
    """Seconds from the first sample to the middle of the quietest 10 ms, the nearest to the
    middle of the stretch among equals."""
    width = max(int(QUIET_S * rate_hz), 1)
    if len(samples) <= width:
        return len(samples) / 2 / rate_hz
    power = np.sum(np.asarray(samples, np.float64) ** 2, axis=1)
    total = np.concatenate([[0.0], np.cumsum(power)])
    level = 10 * np.log10((total[width:] - total[:-width]) / width + 1e-12)
    away = np.abs(np.arange(len(level)) - (len(level) - 1) / 2) / max(len(level), 1)
    return (int(np.argmin(level + 6.0 * away)) + width / 2) / rate_hz


def _cut(audio: AudioLike, at_s: float, *, reach_s: float) -> float:
    """The quietest place within `reach_s` of a time; the ends of the file stay themselves."""
    rate = audio.rate_hz
    first = max(round((at_s - reach_s) * rate), 0)
    last = min(round((at_s + reach_s) * rate), audio.n_samples)
    if first == 0 or last == audio.n_samples or last <= first:
        return at_s
    return first / rate + quiet_point(audio.read(first, last), rate_hz=rate)


def _near_notes(stem: StemAnalysis, start_s: float, stop_s: float) -> tuple[Note, ...]:
    return tuple(n for n in stem.notes if n.end_s > start_s and n.start_s < stop_s)


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
    group: Group, notes: tuple[Note, ...], f0_hz: FloatArray, first_s: float, change: Change
) -> list[tuple[Slide, float]]:
    """Slides of the edits that move notes; times from the start of the passage."""
    moved = {edit.note: edit.shift_cents for edit in group.edits if edit.note is not None}
    if not moved:
        return []
    time_s = np.arange(len(f0_hz), dtype=np.float64) * FRAME_S
    shifts = [moved.get(note.index, 0.0) for note in notes]
    local = [_relative(note, first_s) for note in notes]
    return slides_of(time_s, f0_hz, notes=local, shifts=shifts, change=change)


def _curve(
    slides: Sequence[tuple[Slide, float]], *, n: int, low_s: float, high_s: float
) -> FloatArray:
    """Offset of each frame, 0 outside [low_s, high_s]."""
    time_s = np.arange(n, dtype=np.float64) * FRAME_S
    out = np.zeros(n)
    for slide, cents in slides:
        out += cents * slide.within(low_s, high_s).progress(time_s)
    out[(time_s <= low_s) | (time_s >= high_s) | (np.abs(out) < 1e-9)] = 0.0
    return out


def _span_slides(
    group: Group, cuts: Sequence[tuple[float, float]], first_s: float
) -> list[tuple[Slide, float]]:
    spans = [edit for edit in group.edits if edit.note is None]
    found = []
    for edit, (begin, end) in zip(spans, cuts, strict=True):
        found.append((cut_at(begin - first_s), edit.shift_cents))
        found.append((cut_at(end - first_s), -edit.shift_cents))
    return found


def _unvoiced_warnings(
    group: Group, notes: Sequence[Note], f0_hz: FloatArray, first_s: float
) -> tuple[str, ...]:
    found = []
    for edit in group.edits:
        a = int((edit.start_s - first_s) / FRAME_S)
        b = max(int((edit.end_s - first_s) / FRAME_S), a + 1)
        voiced = float(np.mean(np.isfinite(f0_hz[max(a, 0) : b])))
        if voiced < MIN_VOICED:
            found.append(
                f"{edit.start_s:.2f} s to {edit.end_s:.2f} s: only {voiced:.0%} of it has a pitch, "
                "the rest stays as it is; correct the note or move a longer span"
            )
    return tuple(found)


def prepare(group: Group, *, audio: AudioLike, stem: StemAnalysis, engine: Engine) -> Work:
    """Read what a group needs and work out its pitch and its offsets."""
    rate = audio.rate_hz
    by_note = engine.needs_pitch or any(edit.note is not None for edit in group.edits)
    context = max(engine.context_s, NEIGHBOUR_S if by_note else 0.0)
    first = max(group.start - round(context * rate), 0)
    last = min(group.stop + round(context * rate), audio.n_samples)
    samples, first_s = audio.read(first, last), first / rate
    reach = JOIN_S if engine.exact else JOIN_S - CUT_FADE_S / 2
    cuts = [
        (_cut(audio, e.start_s, reach_s=reach), _cut(audio, e.end_s, reach_s=reach))
        for e in group.edits
        if e.note is None
    ]
    notes = _near_notes(stem, first_s, last / rate)
    n_frames = int(len(samples) / (FRAME_S * rate)) + 2
    f0_hz = np.full(n_frames, np.nan)
    warnings: tuple[str, ...] = ()
    if stem.track is not None and by_note:
        f0_hz = passage_pitch(samples, rate_hz=rate, start_s=first_s, track=stem.track, notes=notes)
        warnings = _unvoiced_warnings(group, notes, f0_hz, first_s)
    slides = _note_slides(
        group, notes, f0_hz, first_s, _changes(samples, rate, n_frames)
    ) + _span_slides(group, cuts, first_s)
    steady = all(edit.note is None for edit in group.edits) and len(group.edits) == 1
    if steady and not engine.exact:
        return _steady_work(
            group,
            audio,
            Passage(samples, rate, f0_hz, _level(group, n_frames), True),
            first,
            cuts[0],
            warnings,
        )
    margin = _margin_s(f0_hz)
    low = group.start / rate - first_s if group.start > 0 else -1.0
    high = group.stop / rate - first_s if group.stop < audio.n_samples else n_frames * FRAME_S + 1
    curve = _curve(slides, n=n_frames, low_s=low + margin, high_s=high - margin)
    return Work(group, first, Passage(samples, rate, f0_hz, curve), round(margin * rate), warnings)


def _level(group: Group, n_frames: int) -> FloatArray:
    return np.full(n_frames, group.edits[0].shift_cents)


def _steady_work(
    group: Group,
    audio: AudioLike,
    passage: Passage,
    first: int,
    cut: tuple[float, float],
    warnings: tuple[str, ...],
) -> Work:
    """A single whole span for an engine that does not join by itself: cut where it is quiet."""
    rate, half = audio.rate_hz, CUT_FADE_S / 2
    start = max(round((cut[0] - half) * rate), 0) if cut[0] > half else 0
    stop = min(round((cut[1] + half) * rate), audio.n_samples)
    return Work(
        Group(group.edits, start, max(stop, start)),
        first,
        passage,
        round(CUT_FADE_S * rate),
        warnings,
    )


def _margin_s(f0_hz: FloatArray) -> float:
    """Room for the last grains before the limit: a period and a half of the lowest pitch."""
    voiced = f0_hz[np.isfinite(f0_hz)]
    if not len(voiced):
        return MIN_MARGIN_S
    return float(np.clip(MARGIN_PERIODS / voiced.min(), MIN_MARGIN_S, 0.6 * JOIN_S))
