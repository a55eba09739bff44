"""From a stem and its edits to patches: the samples that change, and no others."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from retune.carriers.changes import Edit, Patch, StemRendition, Verdict, check_shift
from retune.carriers.errors import EngineError, UsageError
from retune.carriers.heard import AudioLike, FloatArray, Note, Samples, StemAnalysis
from retune.repitch.glide import smooth_step
from retune.repitch.judge import AUDIBLE, CLEAN
from retune.repitch.long_spans import Shift, is_long, long_patch
from retune.repitch.mixed import together
from retune.repitch.passages import Part, Work, group_edits, prepare
from retune.repitch.patches import trimmed
from retune.repitch.retime import retime
from retune.repitch.seam import ENGINES, Engine, Judge, Passage, resolve_engine
from retune.repitch.tails import find_tails

CLIPPED_LEVEL, CLIPPING_BLOCK = 0.9999, 1 << 18
SPAN_ENGINE = "stretch"
# A note of a mix less likely sung than this is never called clean, however it moves.
SUNG = 0.8


def render_stem(
    audio: AudioLike,
    *,
    stem: StemAnalysis,
    edits: Sequence[Edit],
    engine: str = "auto",
    voice: AudioLike | None = None,
) -> StemRendition:
    """Move the edited spans of a stem, in pitch and in time.

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
    voice : AudioLike, optional
        The voice in a mix as estimated, on its clock; what is lifted is joined with it.

    Returns
    -------
    StemRendition
        Patches in order of time. Samples outside them are the stem's own; no patch goes further
        than 75 ms from its edits, but for a consonant that begins earlier and goes whole with
        its note in time, and for what sounds on after a note whose edit takes its tail along.

    Raises
    ------
    UsageError
        No engine has this name, or an edit cannot be used.
    EngineError
        The engine cannot do this material or is not installed.
    """
    moved = _render(audio, stem, edits, engine, _there, voice)
    return retime(audio, stem=stem, edits=edits, rendition=moved)


def render_control(
    audio: AudioLike,
    *,
    stem: StemAnalysis,
    edits: Sequence[Edit],
    engine: str = "auto",
    voice: AudioLike | None = None,
) -> StemRendition:
    """The matched control: the same spans moved by the same amounts and back again, as often as
    it takes to lie as far from the original as a variant from the same melody truly sung
    (`Engine.round_trips`). Parameters and errors as for `render_stem`."""
    moved = _render(audio, stem, edits, engine, _there_and_back, voice)
    return retime(audio, stem=stem, edits=edits, rendition=moved, is_control=True)


def _there(engine: Engine, passage: Passage) -> Samples:
    return engine.shift(passage)


def _there_and_back(engine: Engine, passage: Passage) -> Samples:
    samples = passage.samples
    for _ in range(engine.round_trips(passage.main_offset)):
        away = engine.shift(replace(passage, samples=samples))
        back = replace(
            passage,
            samples=away,
            voice=None,
            f0_hz=passage.f0_hz * 2.0 ** (passage.offset_cents / 1200),
            offset_cents=-passage.offset_cents,
            formant_cents=None if passage.formant_cents is None else -passage.formant_cents,
        )
        samples = engine.shift(back)
    return samples


def _render(
    audio: AudioLike,
    stem: StemAnalysis,
    edits: Sequence[Edit],
    name: str,
    shift: Shift,
    voice: AudioLike | None = None,
) -> StemRendition:
    spans = [edit for edit in edits if edit.note is None]
    if stem.role == "mix" and name == "auto" and spans:
        notes = [edit for edit in edits if edit.note is not None]
        moved = _render_by(audio, stem, spans, SPAN_ENGINE, shift)
        moved = replace(moved, reason="whole spans of a finished mix move as they are")
        if not notes:
            return moved
        return together(audio, _render_by(audio, stem, notes, name, shift, voice), moved)
    return _render_by(audio, stem, edits, name, shift, voice)


def _render_by(
    audio: AudioLike,
    stem: StemAnalysis,
    edits: Sequence[Edit],
    name: str,
    shift: Shift,
    voice: AudioLike | None = None,
) -> StemRendition:
    chosen, reason = resolve_engine(name, role=stem.role, is_inside=bool(stem.inside))
    engine = ENGINES[chosen]
    _check(edits, audio=audio, stem=stem, engine=engine)
    patches: list[Patch] = []
    warnings: list[str] = []
    verdicts: list[Verdict] = []
    keeps = engine.exact and engine.needs_pitch and stem.role != "mix" and not stem.inside
    tails = find_tails(edits, audio=audio, stem=stem) if keeps else {}
    for group in group_edits([e for e in edits if e.bends], audio=audio, tails=tails):
        if is_long(group, engine=engine, rate_hz=audio.rate_hz):
            patch = long_patch(group.edits[0], audio=audio, engine=engine, shift=shift)
            patches.append(patch)
            warnings += [f"{stem.name}: {text}" for text in _clipping_within(audio, patch)]
            continue
        work = prepare(group, audio=audio, stem=stem, engine=engine, voice=voice, tails=tails)
        warnings += [f"{stem.name}: {text}" for text in (*work.warnings, *_clipping(work))]
        moved = [shift(engine, part.passage) for part in work.parts]
        patches += _patches(work, moved)
        if engine.judge is not None:
            verdicts += _verdicts(work, moved, stem, engine.judge)
    warnings += [
        f"{stem.name}: {v.start_s:.2f} s to {v.end_s:.2f} s: {v.word} ({v.text})"
        for v in verdicts
        if v.word != CLEAN
    ]
    return StemRendition(
        stem.name, chosen, reason, tuple(patches), tuple(warnings), tuple(verdicts)
    )


def _verdicts(
    work: Work, moved: Sequence[Samples], stem: StemAnalysis, judge: Judge
) -> list[Verdict]:
    """What to expect of each edit of a mix."""
    part, sound = work.parts[0], moved[0]
    first_s = part.first / part.passage.rate_hz
    notes = {note.index: note for note in stem.notes}
    found = []
    for edit in work.group.edits:
        note = notes.get(edit.note or 0)
        sure = 1.0 if note is None else note.confidence
        said = judge(part.passage, sound, edit=edit, first_s=first_s, sure=sure)
        found.append(said if note is None else _if_sung(said, note))
    return found


def _if_sung(said: Verdict, note: Note) -> Verdict:
    """A verdict with what is known of whether that is the singer at all: however clean the move,
    nothing is called so that may not be."""
    if note.singer is None or note.singer >= SUNG:
        return said
    word = AUDIBLE if said.word == CLEAN else said.word
    return replace(said, word=word, text=f"it may not be the singer who is moved here; {said.text}")


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
        check_shift(edit)
        end_s = edit.end_s
    if engine.needs_pitch and stem.track is None and edits:
        raise EngineError(
            f'engine "{engine.name}" moves one voice by its pitch track and stem "{stem.name}" '
            f"(role {stem.role}) has none; use --engine stretch or auto"
        )


def _clipping(work: Work) -> list[str]:
    for part in work.parts:
        inside = part.passage.samples[part.start - part.first : part.stop - part.first]
        if _is_clipped(inside):
            return [_clipped_text(part.start / part.passage.rate_hz)]
    return []


def _clipping_within(audio: AudioLike, patch: Patch) -> list[str]:
    """The same of a long span: said once, of the first block that is clipped."""
    for start in range(patch.start, patch.stop, CLIPPING_BLOCK):
        if _is_clipped(audio.read(start, min(start + CLIPPING_BLOCK, patch.stop))):
            return [_clipped_text(start / audio.rate_hz)]
    return []


def _is_clipped(samples: Samples) -> bool:
    return bool(samples.size) and float(np.abs(samples).max()) >= CLIPPED_LEVEL


def _clipped_text(at_s: float) -> str:
    return f"{at_s:.2f} s: the sound is clipped here, and clipping does not move cleanly"


def _weights(part: Part) -> FloatArray:
    """1 inside, 0 at both ends of a part, except where an end is the end of the file."""
    n, fade = part.stop - part.start, max(part.fade, 1)
    weight = np.ones(n)
    ramp = smooth_step((np.arange(min(fade, n)) + 0.5) / fade)
    if part.start > 0:
        weight[: len(ramp)] *= ramp
    if part.stop < part.first + len(part.passage.samples):
        weight[n - len(ramp) :] *= ramp[::-1]
    return weight


def _patches(work: Work, moved: Sequence[Samples]) -> list[Patch]:
    """The samples that did change, joined to what is around them; parts that touch share one."""
    start = min(part.start for part in work.parts)
    stop = max(part.stop for part in work.parts)
    n_channels = work.parts[0].passage.samples.shape[1]
    old, change = (np.zeros((stop - start, n_channels)) for _ in range(2))
    covered = np.zeros(stop - start + 2, dtype=bool)
    for part, samples in zip(work.parts, moved, strict=True):
        inside = slice(part.start - part.first, part.stop - part.first)
        here = slice(part.start - start, part.stop - start)
        old[here] = part.passage.samples[inside]
        change[here] += _weights(part)[:, None] * (samples[inside] - old[here])
        covered[here.start + 1 : here.stop + 1] = True
    turns = np.flatnonzero(covered[1:] != covered[:-1]).reshape(-1, 2)
    mixed, was = (old + change).astype(np.float32), old.astype(np.float32)
    found = [trimmed(start + int(a), mixed[a:b], was[a:b]) for a, b in turns]
    return [patch for patch in found if patch is not None]
