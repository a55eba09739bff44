"""Versions of a song side by side: matched in level, cut to a passage, on one page."""

from __future__ import annotations

import functools
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

from retune.carriers.changes import Plan, Rendition
from retune.carriers.errors import UsageError
from retune.carriers.heard import Analysis
from retune.comparison.blind import pair_design
from retune.comparison.changed_sound import changed_spans
from retune.comparison.difference import difference_words
from retune.comparison.encode import MIMES, stored_rate_hz
from retune.comparison.levels import MixLevels
from retune.comparison.mix import Mix, passage
from retune.comparison.page import comparison_page
from retune.comparison.page_input import PageInput, Version, VersionKind
from retune.pipeline.beside import (
    FROM_STEMS,
    check_beside,
    differences,
    made_by_both,
    matched_mix,
    shared_plan,
)
from retune.pipeline.encoded_sound import encoded
from retune.pipeline.inputs import Progress, SongInputs, silent
from retune.pipeline.mix_levels import levelled_mix, spans_of
from retune.pipeline.passages import WHOLE, Passage, find_passage
from retune.pipeline.renditions import CONTROL, render_control, render_plan
from retune.pipeline.song_analysis import analysis_of
from retune.pipeline.song_plan import plan_of, plans_of
from retune.pipeline.stages import Memory
from retune.pipeline.tension_curves import tension_curves, tension_words
from retune.sound.files import refuse_inputs
from retune.sound.folders import make_folder, named_file
from retune.sound.made_files import made_file

FADE_S = 0.03
SHEETS = 8
"""Orders of the blind test, so that listeners in one room do not hear the same one."""


@dataclass(frozen=True)
class PageWritten:
    """A comparison page on disk."""

    path: Path
    size_bytes: int
    warnings: tuple[str, ...]
    differences: tuple[str, ...] = ()
    """How far versions made from a mix and from stems lie apart, a sentence a variant."""


def compare_versions(
    opened: SongInputs,
    *,
    variants: Sequence[str] | None = None,
    rules: Sequence[str] | str | None = None,
    plans: Sequence[Plan] | None = None,
    engine: str = "auto",
    control: bool = True,
    passage: Passage = WHOLE,
    audio_format: str = "opus",
    beside: SongInputs | None = None,
    progress: Progress = silent,
) -> PageInput:
    """Original, variants and matched control of a song, encoded at matched level.

    Parameters
    ----------
    variants, rules, plans
        Variants of the song file (all of them by default); or rules; or plans made of them.
    control : bool
        Add the matched control of the first variant.
    passage : (from, to, phrase)
        What to cut out: times "12.5s" or "bar:beat", or phrases "2" or "2-4".
    audio_format : {"opus", "flac"}
        What the page carries.
    beside : SongInputs, optional
        The same music from stems: its version of every variant goes on the page too, with the
        measured difference of each edit.

    Raises
    ------
    UsageError
        No variant of that name, a passage that is not in the song, or stems `beside` a mix of
        which no variant moves the same note.
    """
    if sum(given is not None for given in (variants, rules, plans)) > 1:
        raise UsageError("give one of variants, rules and plan")
    if beside is not None:
        check_beside(opened, beside)
    analysis = analysis_of(opened, progress=progress)
    if plans is None:
        plans = (
            plans_of(opened, variants, progress=progress)
            if rules is None
            else (plan_of(opened, rules=rules, progress=progress),)
        )
    span_s = find_passage(analysis, *passage)
    page = _page_input(opened, analysis, plans, span_s, engine, control, audio_format, progress)
    moved = [plan for plan in plans if plan.edits]
    if beside is not None and moved:
        page = _with_stems(page, opened, moved, beside, engine, audio_format)
    return page


def write_page(pages: Sequence[PageInput], opened: Sequence[SongInputs], path: Path) -> PageWritten:
    """Write a page whole or not at all; never over a stem or a song file."""
    text = comparison_page(list(pages))
    for song in opened:
        refuse_inputs(path, song.files)
    place = named_file(path)
    make_folder(place.parent)
    with made_file(place, "w") as stream:
        stream.write(text)
    warnings = tuple(dict.fromkeys(line for page in pages for line in page.warnings))
    apart = tuple(line for page in pages for line in difference_words(page.differences))
    return PageWritten(path, path.stat().st_size, warnings, apart)


def _renditions(
    opened: SongInputs, plans: Sequence[Plan], engine: str, control: bool, progress: Progress
) -> Iterator[tuple[str, VersionKind, Rendition | None]]:
    """The original, every variant, and the matched control of the first that moves anything."""
    yield "original", "original", None
    for done, plan in enumerate(plans):
        progress(f"rendering {plan.name}", done / len(plans))
        yield plan.name, "variant", render_plan(opened, plan, engine=engine)
    first = next((plan for plan in plans if plan.edits), None)
    if control and first is not None:
        made = render_control(opened, first, engine=engine)
        yield CONTROL, "matched-control", replace(made, name=CONTROL)


def _engines(renditions: Sequence[Rendition]) -> list[str]:
    """Which engine moved each stem, in which versions, and why that one; a line a stem."""
    by_stem: dict[tuple[str, str, str], list[str]] = {}
    for one in renditions:
        for stem in one.stems.values():
            by_stem.setdefault((stem.stem, stem.engine, stem.reason), []).append(one.name)
    return [
        f"stem {stem}, moved by the engine {engine} ({reason}): {', '.join(names)}"
        for (stem, engine, reason), names in by_stem.items()
    ]


def _page_input(
    opened: SongInputs,
    analysis: Analysis,
    plans: Sequence[Plan],
    span_s: tuple[float, float],
    engine: str,
    control: bool,
    audio_format: str,
    progress: Progress,
) -> PageInput:
    if audio_format not in MIMES:
        raise UsageError(f'no audio format "{audio_format}": use {" or ".join(MIMES)}')
    coding: list[Future[Version]] = []
    pool = ThreadPoolExecutor(max_workers=2)  # a version is coded while the next is rendered
    made: list[str] = []
    moved: list[Rendition] = []
    warnings = [*analysis.warnings, *(line for plan in plans for line in plan.warnings)]
    for name, kind, rendition in _renditions(opened, plans, engine, control, progress):
        mix, levels = levelled_mix(opened, rendition)
        coding.append(
            pool.submit(
                _encoded,
                mix,
                levels,
                name=name,
                kind=kind,
                rendition=rendition,
                about=_about(opened, rendition),
                span_s=span_s,
                audio_format=audio_format,
                memory=opened.memory,
            )
        )
        if rendition is not None and kind == "variant":
            moved.append(rendition)
            warnings += [
                f"stem {line}" for stem in rendition.stems.values() for line in stem.warnings
            ]
        elif rendition is not None:
            made.append(f"matched control: the spans of {rendition.plan.name}, moved out and back")
    versions = [one.result() for one in coding]
    pool.shutdown()
    progress("encoding", 1.0)
    # A page without variants draws the song as sung, under no name.
    weighed = plans or [Plan((), name="")]
    page = PageInput(
        title=analysis.title,
        rights=opened.song.rights,
        analysis=analysis,
        versions=tuple(versions),
        rate_hz=stored_rate_hz(opened.rate_hz, audio_format),
        passage_s=span_s,
        made=tuple(dict.fromkeys([*_engines(moved), *made, *tension_words(analysis, weighed)])),
        warnings=tuple(dict.fromkeys(warnings)),
        tension=tension_curves(analysis, weighed),
    )
    return _with_test(page, plans)


def _with_stems(
    page: PageInput,
    opened: SongInputs,
    plans: Sequence[Plan],
    other: SongInputs,
    engine: str,
    audio_format: str,
) -> PageInput:
    """Add what the same rules make from stems, and how far apart the two are, variant by
    variant."""
    before = page
    for plan in plans:
        page = _with_twin(page, opened, plan, other, engine, audio_format)
    if len(page.versions) == len(before.versions):
        raise UsageError(
            f"--beside {other.song.path.name}: {page.warnings[-1]}, and so it is with every "
            "variant; give the mix a guide"
        )
    return page


def _with_twin(
    page: PageInput,
    opened: SongInputs,
    plan: Plan,
    other: SongInputs,
    engine: str,
    audio_format: str,
) -> PageInput:
    """Add the version that the rules of one variant make from stems, after that variant."""
    rules, warnings = shared_plan(plan, plan_of(other, rules=list(plan.rules)))
    page = replace(page, warnings=(*page.warnings, *warnings))
    if not rules.edits:
        return page
    mine = render_plan(opened, plan, engine=engine)
    theirs = render_plan(other, replace(rules, name=f"{plan.name}{FROM_STEMS}"), engine=engine)
    mix, levels = matched_mix(opened, other, theirs)
    version = _encoded(
        mix,
        levels,
        name=theirs.name,
        kind="variant",
        rendition=theirs,
        about=f"the same rules, made from the stems of {other.song.path.name}",
        span_s=page.span_s,
        audio_format=audio_format,
        memory=opened.memory,
        beside_original=False,
    )
    # The page draws the song as heard in the mix, so the same notes are said to move.
    drawn = replace(plan, name=theirs.name, caveat="", edits=made_by_both(plan, rules))
    version = replace(version, plan=replace(drawn, consequences=()) if warnings else drawn)
    versions = [*page.versions]
    versions.insert(1 + next(k for k, v in enumerate(versions) if v.name == plan.name), version)
    tension = dict(page.tension)
    if not warnings:
        tension[theirs.name] = page.tension.get(plan.name, ())
    return replace(
        page,
        versions=tuple(versions),
        tension=tension,
        differences=(*page.differences, *differences(opened, mine, other, theirs)),
    )


def _with_test(page: PageInput, plans: Sequence[Plan]) -> PageInput:
    """Add a blind test of the original's melody against the first variant: the matched control
    stands for the original, so that both sides carry the same processing."""
    names = [version.name for version in page.versions]
    moved = [plan for plan in plans if plan.edits]
    if not moved:
        return page
    side = CONTROL if CONTROL in names else "original"
    start_s, end_s = page.span_s
    melody = page.analysis.melody
    touched = {edit.phrase for edit in moved[0].edits}
    passages = [
        f"phrase {phrase.index}"
        for phrase in (melody.phrases if melody else ())
        if phrase.index in touched
        and phrase.start_s >= start_s - 0.05
        and phrase.end_s <= end_s + 0.05
    ]
    if not passages:
        return page
    designs = [
        pair_design((side, moved[0].name), passages=passages, sheet=sheet)
        for sheet in range(1, SHEETS + 1)
    ]
    return replace(page, tests=tuple(designs))


def _about(opened: SongInputs, rendition: Rendition | None) -> str:
    if rendition is None:
        return ""
    if rendition.kind == CONTROL:
        return "the original sent out and back through the same processing"
    variant = opened.song.variants.get(rendition.name)
    return variant.about if variant and variant.about else "; ".join(rendition.plan.rules)


def _encoded(
    mix: Mix,
    levels: MixLevels,
    *,
    name: str,
    kind: VersionKind,
    rendition: Rendition | None,
    about: str,
    span_s: tuple[float, float],
    audio_format: str,
    memory: Memory,
    beside_original: bool = True,
) -> Version:
    """One version as a page carries it: the changed spans alone, `beside_original` sound that is
    the same elsewhere."""
    cut = passage(mix, start_s=span_s[0], end_s=span_s[1], fade_s=FADE_S)
    code = functools.partial(encoded, rate_hz=mix.rate_hz, audio_format=audio_format, memory=memory)
    spans = None
    if rendition is not None and beside_original:
        begin = round(span_s[0] * mix.rate_hz)
        spans = changed_spans(
            cut,
            [(start - begin, stop - begin) for start, stop in spans_of(rendition)],
            rate_hz=mix.rate_hz,
            stored_hz=stored_rate_hz(mix.rate_hz, audio_format),
            code=code,
        )
    return Version(
        name=name,
        kind=kind,
        audio_bytes=code(cut) if spans is None else b"",
        spans=spans,
        mime=MIMES[audio_format],
        gain_db=levels.gain_db,
        short_by_db=levels.short_by_db,
        plan=rendition.plan if rendition else None,
        verdicts=rendition.verdicts if rendition else (),
        about=about,
        loudness_lufs=levels.loudness_after,
        true_peak_db=levels.true_peak_db,
    )
