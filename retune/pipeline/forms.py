"""The opened song in one line: each function opens a song and asks it one thing."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Unpack

from retune.carriers.changes import Plan, Rendition
from retune.carriers.errors import UsageError
from retune.carriers.heard import Analysis
from retune.carriers.songfacts import Song
from retune.comparison.page_input import PageInput
from retune.pipeline.inputs import Options, Progress, silent
from retune.pipeline.opensong import OpenSong, Source, open_song
from retune.pipeline.passages import WHOLE, Passage
from retune.sound.files import refuse_inputs

if TYPE_CHECKING:
    from retune.pipeline.comparison_page import PageWritten
    from retune.pipeline.export_formats import Exported
    from retune.pipeline.export_job import ExportOptions
    from retune.pipeline.records import Manifest
    from retune.pipeline.suggestions import Suggestions


def analyze(
    source: Source, *, progress: Progress = silent, **settings: Unpack[Options]
) -> Analysis:
    """What is heard in a song: pitch, notes, phrases, key, bars, chords, degrees and endings.

    Parameters
    ----------
    source : path, Song or OpenSong
    progress : callable
        Called with a stage in words and how much of it is done, 0 to 1.
    **settings
        Those of `open`.

    Raises
    ------
    InputError
        The song file or a stem cannot be used; names file, field and fix.
    """
    return open_song(source, **settings).analyze(progress=progress)


def plan(
    source: Source | Analysis,
    rules: Sequence[str] | str | None = None,
    *,
    variant: str | None = None,
    progress: Progress = silent,
    **settings: Unpack[Options],
) -> Plan:
    """What a variant of the song, or rules in plain words, would move.

    Parameters
    ----------
    source : path, Song, OpenSong or Analysis
        An `Analysis` goes with `rules` only.
    rules : sequence of str or str
        Sentences, one rule each.
    variant : str
        Name of a variant in the song file; exactly one of `rules` and `variant`.
    **settings
        Those of `open`.

    Raises
    ------
    RuleError
        A rule does not read.
    UsageError
        Neither or both of `rules` and `variant`, or no variant of that name.
    """
    if not isinstance(source, Analysis):
        return open_song(source, **settings).plan(rules, variant=variant, progress=progress)
    from retune.rules import make_plan

    if variant is not None or rules is None:
        raise UsageError("an analysis knows no variants: give rules, or the song file")
    if settings:
        raise UsageError(f'"{next(iter(settings))}" comes too late for a song that was analyzed')
    return make_plan(source, [rules] if isinstance(rules, str) else list(rules))


def plans_of(
    source: Source, variants: Sequence[str] | None = None, *, progress: Progress = silent
) -> tuple[Plan, ...]:
    """The plans of the named variants, or of every variant of the song file."""
    return open_song(source).plans(variants, progress=progress)


def render(
    source: Source,
    plan: Plan | None = None,
    *,
    rules: Sequence[str] | str | None = None,
    variant: str | None = None,
    engine: str = "auto",
    progress: Progress = silent,
    **settings: Unpack[Options],
) -> Rendition:
    """Re-pitch the notes that a plan moves; everything else stays as it is.

    Give exactly one of `plan`, `rules` and `variant`. The result holds the changed spans only;
    `OpenSong.write` writes whole stems and mixes.

    Raises
    ------
    InputError
        The song, a rule or the engine's name cannot be used, or the song was changed since the
        plan was made.
    EngineError
        The engine cannot do this material or is not installed.
    """
    return open_song(source, **settings).render(
        plan, rules=rules, variant=variant, engine=engine, progress=progress
    )


def render_control(
    source: Source, plan: Plan, *, engine: str = "auto", progress: Progress = silent
) -> Rendition:
    """The matched control of a plan: the same spans moved out and back by the same engine."""
    return open_song(source).render_control(plan, engine=engine, progress=progress)


def compare(
    source: Source,
    plan: Plan | Sequence[Plan] | None = None,
    *,
    rules: Sequence[str] | str | None = None,
    variant: str | None = None,
    variants: Sequence[str] | str | None = None,
    engine: str = "auto",
    control: bool = True,
    passage: Passage = WHOLE,
    audio_format: str = "opus",
    beside: str | Path | Song | OpenSong | None = None,
    out: str | Path | None = None,
    progress: Progress = silent,
    **settings: Unpack[Options],
) -> PageInput:
    """Original, variants and matched control of a song, encoded at matched level.

    Parameters
    ----------
    plan, rules, variant, variants
        At most one: a plan or several, rules in plain words, the name of a variant, or names
        (all of them by default).
    control : bool
        Add the matched control of the first variant.
    passage : (from, to, phrase)
        What to cut out: times "12.5s" or "bar:beat", or phrases "2" or "2-4".
    audio_format : {"opus", "flac"}
        What the page carries.
    beside : path, Song or OpenSong, optional
        The same music from stems: its version of every variant goes on the page too, with the
        measured difference of each edit.
    out : path, optional
        Also write the page there.
    **settings
        Those of `open`.

    Raises
    ------
    UsageError
        No variant of that name, a passage that is not in the song, or stems `beside` a mix of
        which no variant moves the same note.
    """
    return open_song(source, **settings).compare(
        plan,
        rules=rules,
        variant=variant,
        variants=variants,
        engine=engine,
        control=control,
        passage=passage,
        audio_format=audio_format,
        beside=beside,
        out=out,
        progress=progress,
    )


def compare_page(
    sources: Sequence[Source],
    *,
    out: str | Path,
    variants: Sequence[str] | None = None,
    rules: Sequence[str] | str | None = None,
    engine: str = "auto",
    control: bool = True,
    passage: Passage = WHOLE,
    audio_format: str = "opus",
    beside: str | Path | None = None,
    progress: Progress = silent,
) -> PageWritten:
    """One page with every song of `sources`; takes the options of `compare`.

    Raises
    ------
    UsageError
        The page would fall on an input.
    OutputError
        It cannot be written.
    """
    from retune.pipeline.comparison_page import write_page

    songs = [open_song(source) for source in sources]
    for song in songs:
        refuse_inputs(out, song.inputs.files)
    pages = [
        song.compare(
            rules=rules,
            variants=variants,
            engine=engine,
            control=control,
            passage=passage,
            audio_format=audio_format,
            beside=beside,
            progress=progress,
        )
        for song in songs
    ]
    return write_page(pages, [song.inputs for song in songs], Path(out))


def write_versions(
    source: Source,
    *,
    plans: Sequence[Plan],
    out: str | Path,
    engine: str = "auto",
    subtype: str | None = None,
    control: bool | Sequence[str] = False,
    changed_only: bool = False,
    progress: Progress = silent,
) -> dict[str, Manifest]:
    """Render plans and write whole stems, mixes and manifests into folder `out`."""
    return open_song(source).write(
        plans,
        out=out,
        engine=engine,
        subtype=subtype,
        control=control,
        changed_only=changed_only,
        progress=progress,
    )


def export(
    source: Source,
    *,
    formats: Sequence[str],
    out: str | Path,
    variants: Sequence[str] | None = None,
    rules: Sequence[str] | None = None,
    choices: ExportOptions | None = None,
    progress: Progress = silent,
) -> Exported:
    """Write take-away files of a song and its variants into folder `out`."""
    return open_song(source).export(
        formats, out=out, variants=variants, rules=rules, choices=choices, progress=progress
    )


def suggest(source: Source, *, write: bool = False, progress: Progress = silent) -> Suggestions:
    """Contrasting variants of a song, ranked, each with its reason."""
    return open_song(source).suggest(write=write, progress=progress)
