"""From a plan to renditions: only the changed spans, stem by stem."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import replace

from retune.carriers.changes import Edit, Plan, Rendition, StemRendition
from retune.carriers.errors import UsageError
from retune.pipeline.inputs import Progress, SongInputs, silent
from retune.pipeline.mix_voice import voice_of
from retune.pipeline.song_analysis import analysis_of
from retune.pipeline.song_plan import check_plan
from retune.pipeline.stages import Stage
from retune.song.songschema import VARIANT_RESERVED
from retune.sound.audio import WRITE_SUBTYPES

CONTROL = "matched-control"
SMALL_BYTES = 1 << 22
"""Of the samples of a rendition that is kept while the process runs: files are written and a page
made of the same one."""
RENDITION = Stage("rendition", Rendition, rooms=("repitch",), keep=8, on_disk=False)


def check_name(name: str) -> None:
    """Refuse a name of a version whose folder would be that of the unaltered files, on any disk, or
    of a matched control. Raises UsageError."""
    if name.lower() in VARIANT_RESERVED:
        raise UsageError(f'"{name}" has a meaning of its own and cannot name a version; rename it')


def check_options(*, engine: str, subtype: str | None) -> None:
    """Refuse a wrong engine or subtype before anything is written.

    Raises
    ------
    UsageError
        No such engine or subtype; says which there are.
    """
    from retune.repitch.seam import resolve_engine

    resolve_engine(engine, role="melody")
    if subtype is not None and subtype not in WRITE_SUBTYPES:
        raise UsageError(f'no subtype "{subtype}": use {", ".join(WRITE_SUBTYPES)}')


def render_plan(
    opened: SongInputs,
    plan: Plan,
    *,
    kind: str = "variant",
    engine: str = "auto",
    progress: Progress = silent,
) -> Rendition:
    """Re-pitch the notes that a plan moves; everything else stays as it is.

    `kind` CONTROL makes the matched control: the same spans moved out and back by the same
    engine. The result holds the changed spans only.

    Raises
    ------
    UsageError
        No such engine, or the song was changed since the plan was made.
    EngineError
        The engine cannot do this material or is not installed.
    """
    check_plan(plan, opened)
    analysis_of(opened, progress=progress)
    reads = {**opened.reads, "edits": repr(plan.edits), "kind": kind, "engine": engine}
    make = functools.partial(_render, opened, plan, kind=kind, engine=engine, progress=progress)
    made = opened.recall(RENDITION, reads, make, is_kept=_is_small)
    progress("re-pitching", 1.0)
    return replace(made, name=plan.name, plan=plan)


def _is_small(rendition: Rendition) -> bool:
    patches = [patch for stem in rendition.stems.values() for patch in stem.patches]
    return sum(patch.samples.nbytes for patch in patches) <= SMALL_BYTES


def _render(
    opened: SongInputs, plan: Plan, *, kind: str, engine: str, progress: Progress
) -> Rendition:
    homes = list(dict.fromkeys(opened.home_of(edit.stem) for edit in plan.edits))
    stems: dict[str, StemRendition] = {}
    for done, home in enumerate(homes):
        progress(f"re-pitching {home}", done / len(homes))
        edits = [edit for edit in plan.edits if opened.home_of(edit.stem) == home]
        stems[home] = render_home(opened, home, edits, kind=kind, engine=engine)
    return Rendition(name=plan.name, plan=plan, stems=stems, kind=kind)


def render_control(
    opened: SongInputs, plan: Plan, *, engine: str = "auto", progress: Progress = silent
) -> Rendition:
    """The matched control of a plan."""
    return render_plan(opened, plan, kind=CONTROL, engine=engine, progress=progress)


def render_home(
    opened: SongInputs, home: str, edits: Sequence[Edit], *, kind: str, engine: str
) -> StemRendition:
    """The edits of one stem and of the parts inside it, as one rendition of that stem."""
    from retune import repitch

    run = repitch.render_control if kind == CONTROL else repitch.render_stem
    stems, audio = analysis_of(opened).stems, opened.audio[home]
    is_sung = stems[home].role == "mix" and stems[home].sung is not None
    voice = voice_of(opened, home) if is_sung else None
    made: StemRendition | None = None
    for part in dict.fromkeys(edit.stem for edit in edits):
        own = [edit for edit in edits if edit.stem == part]
        one = run(audio, stem=stems[part], edits=own, engine=engine, voice=voice)
        verdicts = tuple(replace(verdict, stem=part) for verdict in one.verdicts)
        one = replace(one, stem=home, verdicts=verdicts)
        made = one if made is None else repitch.together(audio, made, one)
    assert made is not None
    return made
