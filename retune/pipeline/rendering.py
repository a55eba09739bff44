"""From a plan to renditions: only the changed spans, stem by stem."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from retune.core.carriers import Plan, Rendition, StemRendition
from retune.pipeline.opening import Progress, Source, analyze, open_song, silent
from retune.pipeline.planning import plan as make

CONTROL = "matched-control"


def render(
    source: Source,
    *,
    rules: Sequence[str] | str | None = None,
    variant: str | None = None,
    plan: Plan | None = None,
    engine: str = "auto",
    progress: Progress = silent,
    **options: Any,
) -> Rendition:
    """Re-pitch the notes that a plan moves; everything else stays as it is.

    Give exactly one of `rules`, `variant` and `plan`. The result holds the changed spans only;
    `retune.pipeline.write_versions` writes whole stems and mixes.

    Raises
    ------
    InputError
        The song, a rule or the engine's name cannot be used.
    EngineError
        The engine cannot do this material or is not installed.
    """
    opened = open_song(source, **options)
    chosen = plan or make(opened, rules=rules, variant=variant, progress=progress)
    return _rendition(opened, chosen, engine=engine, kind="variant", progress=progress)


def render_control(
    source: Source,
    plan: Plan,
    *,
    engine: str = "auto",
    progress: Progress = silent,
    **options: Any,
) -> Rendition:
    """The matched control of a plan: the same spans moved out and back by the same engine."""
    opened = open_song(source, **options)
    return _rendition(opened, plan, engine=engine, kind=CONTROL, progress=progress)


def _rendition(
    source: Source, plan: Plan, *, engine: str, kind: str, progress: Progress
) -> Rendition:
    from retune import repitch

    opened = open_song(source)
    analysis = analyze(opened, progress=progress)
    run = repitch.render_control if kind == CONTROL else repitch.render_stem
    names = list(dict.fromkeys(edit.stem for edit in plan.edits))
    stems: dict[str, StemRendition] = {}
    for done, name in enumerate(names):
        progress(f"re-pitching {name}", done / len(names))
        stems[name] = run(
            opened.audio[name],
            stem=analysis.stems[name],
            edits=plan.of_stem(name),
            engine=engine,
        )
    progress("re-pitching", 1.0)
    return Rendition(name=plan.name, plan=plan, stems=stems, kind=kind)
