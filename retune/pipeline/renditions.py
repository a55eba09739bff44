"""From a plan to renditions: only the changed spans, stem by stem."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from retune.carriers.changes import Edit, Plan, Rendition, StemRendition
from retune.pipeline.song_analysis import OpenSong, Progress, Source, analyze, open_song, silent
from retune.pipeline.song_plan import plan as make

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
    opened = open_song(source)
    analyze(opened, progress=progress)
    homes = list(dict.fromkeys(opened.home_of(edit.stem) for edit in plan.edits))
    stems: dict[str, StemRendition] = {}
    for done, home in enumerate(homes):
        progress(f"re-pitching {home}", done / len(homes))
        edits = [edit for edit in plan.edits if opened.home_of(edit.stem) == home]
        stems[home] = render_home(opened, home, edits, kind=kind, engine=engine)
    progress("re-pitching", 1.0)
    return Rendition(name=plan.name, plan=plan, stems=stems, kind=kind)


def render_home(
    opened: OpenSong, home: str, edits: Sequence[Edit], *, kind: str, engine: str
) -> StemRendition:
    """The edits of one stem and of the parts inside it, as one rendition of that stem."""
    from retune import repitch

    run = repitch.render_control if kind == CONTROL else repitch.render_stem
    stems, audio = analyze(opened).stems, opened.audio[home]
    made: StemRendition | None = None
    for part in dict.fromkeys(edit.stem for edit in edits):
        own = [edit for edit in edits if edit.stem == part]
        one = run(audio, stem=stems[part], edits=own, engine=engine)
        verdicts = tuple(replace(verdict, stem=part) for verdict in one.verdicts)
        one = replace(one, stem=home, verdicts=verdicts)
        made = one if made is None else repitch.together(audio, made, one)
    assert made is not None
    return made
