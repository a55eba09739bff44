"""From a stem and its edits to patches: the samples that change, and no others."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from retune.core.carriers import (
    AudioLike,
    Edit,
    FloatArray,
    Patch,
    Samples,
    StemAnalysis,
    StemRendition,
)
from retune.core.errors import EngineError, UsageError
from retune.repitch.glide import smooth_step
from retune.repitch.passages import Work, group_edits, prepare
from retune.repitch.seam import ENGINES, Engine, Passage, resolve_engine

MAX_SHIFT_CENTS = 1200.0
CLIPPED_LEVEL = 0.9999

Shift = Callable[[Engine, Passage], Samples]


def render_stem(
    audio: AudioLike, *, stem: StemAnalysis, edits: Sequence[Edit], engine: str = "auto"
) -> StemRendition:
    """Move the pitch of the edited spans of a stem.

    Parameters
    ----------
    audio : AudioLike
        The stem; only the edited spans and their surroundings are read.
    stem : StemAnalysis
        Its notes and pitch track (a track is needed by engines that work on one voice).
    edits : sequence of Edit
        Spans that do not overlap, each at most an octave up or down.
    engine : str
        "auto" or a name in `ENGINES`.

    Returns
    -------
    StemRendition
        Patches in order of time. Samples outside them are the stem's own; no patch goes further
        than 75 ms from its edits.

    Raises
    ------
    UsageError
        No engine has this name, or an edit cannot be used.
    EngineError
        The engine cannot do this material or is not installed.
    """
    return _render(audio, stem, edits, engine, _there)


def render_control(
    audio: AudioLike, *, stem: StemAnalysis, edits: Sequence[Edit], engine: str = "auto"
) -> StemRendition:
    """The matched control: the same spans moved by the same amounts and back again, so that they
    carry the same processing at the old pitch. Parameters and errors as for `render_stem`."""
    return _render(audio, stem, edits, engine, _there_and_back)


def _there(engine: Engine, passage: Passage) -> Samples:
    return engine.shift(passage)


def _there_and_back(engine: Engine, passage: Passage) -> Samples:
    away = engine.shift(passage)
    back = replace(
        passage,
        samples=away,
        f0_hz=passage.f0_hz * 2.0 ** (passage.offset_cents / 1200),
        offset_cents=-passage.offset_cents,
    )
    return engine.shift(back)


def _render(
    audio: AudioLike, stem: StemAnalysis, edits: Sequence[Edit], name: str, shift: Shift
) -> StemRendition:
    chosen, reason = resolve_engine(name, role=stem.role)
    engine = ENGINES[chosen]
    _check(edits, audio=audio, stem=stem, engine=engine)
    patches: list[Patch] = []
    warnings: list[str] = []
    for group in group_edits([e for e in edits if e.shift_cents != 0], audio=audio):
        work = prepare(group, audio=audio, stem=stem, engine=engine)
        warnings += [f"{stem.name}: {text}" for text in (*work.warnings, *_clipping(work))]
        patch = _patch(work, shift(engine, work.passage))
        if patch is not None:
            patches.append(patch)
    return StemRendition(stem.name, chosen, reason, tuple(patches), tuple(warnings))


def _check(edits: Sequence[Edit], *, audio: AudioLike, stem: StemAnalysis, engine: Engine) -> None:
    duration_s = audio.n_samples / audio.rate_hz
    end_s = 0.0
    for edit in sorted(edits, key=lambda e: e.start_s):
        where = f"edit of {stem.name} at {edit.start_s:.3f} s"
        if not np.isfinite([edit.start_s, edit.end_s, edit.shift_cents]).all():
            raise UsageError(f"{where}: times and shift must be finite numbers")
        if not 0 <= edit.start_s < edit.end_s <= duration_s + 1e-3:
            raise UsageError(
                f"{where}: {edit.start_s:.3f} to {edit.end_s:.3f} s is not a span within the "
                f"{duration_s:.3f} s of the stem"
            )
        if edit.start_s < end_s - 1e-6:
            raise UsageError(f"{where}: it overlaps the edit before it; edits must not overlap")
        if abs(edit.shift_cents) > MAX_SHIFT_CENTS:
            raise UsageError(
                f"{where}: {edit.shift_cents:+.0f} cents is more than an octave; "
                f"allowed are -{MAX_SHIFT_CENTS:.0f} to +{MAX_SHIFT_CENTS:.0f}"
            )
        end_s = edit.end_s
    if engine.needs_pitch and stem.track is None and edits:
        raise EngineError(
            f'engine "{engine.name}" moves one voice by its pitch track and stem "{stem.name}" '
            f"(role {stem.role}) has none; use --engine stretch or auto"
        )


def _clipping(work: Work) -> list[str]:
    group, a = work.group, work.first
    inside = work.passage.samples[group.start - a : group.stop - a]
    if not inside.size or float(np.abs(inside).max()) < CLIPPED_LEVEL:
        return []
    edit = group.edits[0]
    return [f"{edit.start_s:.2f} s: the sound is clipped there, and clipping does not move cleanly"]


def _weights(work: Work, n: int) -> FloatArray:
    """1 inside, 0 at both ends of the group, except where the end is the end of the passage."""
    group, fade = work.group, max(work.fade, 1)
    weight = np.ones(n)
    ramp = smooth_step((np.arange(min(fade, n)) + 0.5) / fade)
    if group.start > 0:
        weight[: len(ramp)] *= ramp
    if group.stop < work.first + len(work.passage.samples):
        weight[n - len(ramp) :] *= ramp[::-1]
    return weight


def _patch(work: Work, moved: Samples) -> Patch | None:
    """The part of the group that did change, joined to what is around it."""
    group, a = work.group, work.first
    old = np.asarray(work.passage.samples[group.start - a : group.stop - a], dtype=np.float64)
    new = np.asarray(moved[group.start - a : group.stop - a], dtype=np.float64)
    if not len(old):
        return None
    weight = _weights(work, len(old))[:, None]
    mixed = (old + weight * (new - old)).astype(np.float32)
    differs = np.flatnonzero((mixed != old.astype(np.float32)).ravel())
    if not len(differs):
        return None
    n_channels = mixed.shape[1]
    first, last = int(differs[0]) // n_channels, int(differs[-1]) // n_channels + 1
    return Patch(group.start + first, mixed[first:last])
