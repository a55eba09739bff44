"""What each command does: ask the pipeline, show the answer, return the exit code."""

from __future__ import annotations

import argparse
from pathlib import Path

from retune import pipeline
from retune.carriers.changes import Plan
from retune.carriers.errors import UsageError
from retune.faces import show
from retune.pipeline.facts import analysis_facts, plan_facts
from retune.pipeline.inputs import Progress
from retune.pipeline.opensong import OpenSong
from retune.pipeline.song_passage import counts_bars
from retune.sound.folders import place_in

Arguments = argparse.Namespace


def _open(
    arguments: Arguments,
    song: str | None = None,
    *,
    start: str | None = None,
    end: str | None = None,
) -> OpenSong:
    return pipeline.open_song(
        Path(song or arguments.song),
        tracker=arguments.tracker,
        use_cache=not arguments.no_cache,
        key=arguments.key,
        meter=arguments.meter,
        tempo=arguments.tempo,
        downbeat=arguments.downbeat,
        chords=arguments.chords,
        phrases=arguments.phrases,
        guide=arguments.guide,
        mix=arguments.mix,
        start=start,
        end=end,
    )


def _open_part(arguments: Arguments, song: str | None = None, *, is_cut: bool = True) -> OpenSong:
    """The part of a song that is asked for. What is made `is_cut`, where it counts bars that only
    an ear can find, once they are heard in the whole."""
    start, end = arguments.from_, arguments.to
    if is_cut and counts_bars(start, end):
        whole = _open(arguments, song)
        if not whole.song.music.has_bars:
            return whole
    return _open(arguments, song, start=start, end=end)


def analyze(arguments: Arguments) -> int:
    """Show what is heard in a song."""
    opened = _open(arguments, start=arguments.from_, end=arguments.to)
    with show.progress(quiet=arguments.quiet) as tell:
        analysis = pipeline.analyze(opened, progress=tell)
    if arguments.json:
        show.as_json(analysis_facts(analysis, song=opened.song.path.name))
    else:
        show.show_analysis(analysis)
    show.warn(analysis.warnings)
    return 0


def _check_rules(arguments: Arguments) -> None:
    """Refuse a --rule without words: it would move nothing and say nothing."""
    for rule in arguments.rule or ():
        if not rule.strip() or rule.lstrip().startswith("#"):
            said = f'"{rule[:40]}" is a comment alone' if rule.strip() else "the rule is empty"
            raise UsageError(
                f'--rule: {said}; write one, such as "move every degree 2 to degree 1"'
            )


def plan(arguments: Arguments) -> int:
    """Show what rules would move, and what follows."""
    _check_rules(arguments)
    opened = _open(arguments, start=arguments.from_, end=arguments.to)
    with show.progress(quiet=arguments.quiet) as tell:
        made = pipeline.plan(opened, rules=arguments.rule, variant=arguments.variant, progress=tell)
    if arguments.json:
        show.as_json(plan_facts(made))
    else:
        show.show_plan(made)
    show.warn(made.warnings)
    return 0


def render(arguments: Arguments) -> int:
    """Write stems and mixes of variants."""
    _check_rules(arguments)
    opened = _open(arguments, start=arguments.from_, end=arguments.to)
    with show.progress(quiet=arguments.quiet) as tell:
        manifests = pipeline.write_versions(
            opened,
            plans=_plans(arguments, opened, tell),
            out=Path(arguments.out),
            engine=arguments.engine,
            subtype=arguments.subtype,
            control=arguments.control,
            changed_only=arguments.changed_only,
            progress=tell,
        )
    if arguments.json:
        show.as_json({"out": arguments.out, "variants": manifests})
    for name, manifest in manifests.items():
        if not arguments.json and not arguments.quiet:
            show.show_verdicts(manifest)
        show.warn(manifest["warnings"])
        show.say(f"{name}: {Path(arguments.out) / name}", quiet=arguments.quiet)
    return 0


def _plans(arguments: Arguments, opened: OpenSong, tell: Progress) -> tuple[Plan, ...]:
    if arguments.rule:
        return (pipeline.plan(opened, rules=arguments.rule, progress=tell),)
    return pipeline.plans_of(opened, arguments.variant, progress=tell)


def compare(arguments: Arguments) -> int:
    """Write the comparison page."""
    _check_rules(arguments)
    if (arguments.rule or arguments.variant) and len(arguments.song) > 1:
        raise UsageError("--rule and --variant go with one song at a time")
    if arguments.beside and len(arguments.song) > 1:
        raise UsageError("--beside goes with one song at a time")
    opened = [_open_part(arguments, song) for song in arguments.song]
    with show.progress(quiet=arguments.quiet) as tell:
        page = pipeline.compare_page(
            opened,
            variants=arguments.variant,
            rules=arguments.rule,
            out=Path(arguments.out),
            engine=arguments.engine,
            control=not arguments.no_control,
            passage=(arguments.from_, arguments.to, arguments.phrase),
            audio_format=arguments.format,
            beside=Path(arguments.beside) if arguments.beside else None,
            progress=tell,
        )
    show.warn(page.warnings)
    for line in page.differences:
        show.say(line, quiet=arguments.quiet)
    show.say(
        f"open {page.path} in a browser ({page.size_bytes / 1e6:.1f} MB)", quiet=arguments.quiet
    )
    return 0


DEMO_BEGINS = """\
"Lantern Song", an invented lullaby, is in {song}.
Its singer rests on degree 2 where phrases end, and comes home to 1 only at the last. The song file
names variants, each a sentence or two: what if she came home early? what if she never did?
retune now hears the notes, moves those that a sentence names, and puts all versions on one page.
The first run on a machine takes longest: parts of the program are compiled once.
"""


def demo(arguments: Arguments) -> int:
    """Copy the demo song and run the whole job on it."""
    out = Path(arguments.out)
    song = pipeline.write_demo(out)
    show.say(DEMO_BEGINS.format(song=song), quiet=arguments.quiet)
    opened = pipeline.open_song(song)
    with show.progress(quiet=arguments.quiet) as tell:
        analysis = opened.analyze(progress=tell)
    if not arguments.quiet:
        show.show_analysis(analysis)
    with show.progress(quiet=arguments.quiet) as tell:
        plans = opened.plans(progress=tell)
    for made in () if arguments.quiet else plans:
        show.show_plan(made)
    with show.progress(quiet=arguments.quiet) as tell:
        manifests = pipeline.write_versions(
            opened,
            plans=plans,
            out=place_in(out, "renditions"),
            control=[plans[0].name],
            progress=tell,
        )
        pipeline.compare_page([opened], out=place_in(out, "compare.html"), progress=tell)
    for manifest in manifests.values():
        show.warn(manifest["warnings"])
    show.say(
        f"\nopen {out / 'compare.html'} in a browser: original, variants and matched control, "
        "side by side.\n"
        f"stems and mixes: {out / 'renditions'}\n"
        f"the song file, yours to change: {song}\n"
        "start with the volume low. The song is invented and free to use (CC0).",
        quiet=arguments.quiet,
    )
    return 0


def voice(arguments: Arguments) -> int:
    """Write the voice of a finished mix."""
    from retune.faces.voice import voice as run

    return run(arguments)


def serve(arguments: Arguments) -> int:
    """Open the workbench."""
    from retune.faces.web.command import serve as run

    return run(arguments)


def batch(arguments: Arguments) -> int:
    """Render many variants of many songs, or study many songs."""
    if arguments.out is None and arguments.report is None:
        raise UsageError("give --out DIR to render, or --report DIR to study without rendering")
    if arguments.out is None:
        from retune.faces.study import study as run
    else:
        from retune.faces.batch import batch as run
    return run(arguments)


def export(arguments: Arguments) -> int:
    """Write files for other programs."""
    from retune.pipeline.export_job import ExportOptions

    _check_rules(arguments)
    formats = _listed(arguments.format)
    opened = _open_part(arguments, is_cut=formats == ["mp4"])
    with show.progress(quiet=arguments.quiet) as tell:
        made = pipeline.export(
            opened,
            formats=formats,
            out=Path(arguments.out),
            variants=arguments.variant,
            rules=arguments.rule,
            choices=ExportOptions(
                resolution=arguments.resolution,
                bend=arguments.bend,
                film=tuple(_listed(arguments.film or "")),
                passage=(arguments.from_, arguments.to, arguments.phrase),
                engine=arguments.engine,
            ),
            progress=tell,
        )
    names = [path.relative_to(arguments.out).as_posix() for path in made.paths]
    if arguments.json:
        show.as_json({"out": arguments.out, "files": names, "warnings": list(made.warnings)})
    show.warn(made.warnings)
    for name in names:
        show.say(f"{Path(arguments.out) / name}", quiet=arguments.quiet)
    return 0


def _listed(text: str) -> list[str]:
    return [word.strip() for word in text.split(",") if word.strip()]


def suggest(arguments: Arguments) -> int:
    """Show contrasts worth hearing; add them to the song file if asked."""
    opened = _open(arguments)
    with show.progress(quiet=arguments.quiet) as tell:
        found = pipeline.suggest(opened, write=arguments.write, progress=tell)
    if arguments.json:
        from retune.pipeline.suggestions import suggestion_facts

        show.as_json(suggestion_facts(found))
    else:
        show.show_suggestions([(item.variant, item.reason) for item in found.variants])
    show.warn(found.warnings)
    if arguments.write:
        names = ", ".join(found.written) or "nothing new"
        show.say(f"{opened.song.path}: {names} added", quiet=arguments.quiet)
    return 0


def tally(arguments: Arguments) -> int:
    """Count the answers of a blind test."""
    from retune.faces.tally import tally as run

    return run(arguments)


def doctor(arguments: Arguments) -> int:
    """Tell versions, optional parts, cache and speed."""
    from retune.faces.doctor import doctor as run

    return run(arguments)


def help(arguments: Arguments) -> int:
    """Print a page of help."""
    from retune.faces.topics import show_topic

    return show_topic(arguments.topic)


def verify(arguments: Arguments) -> int:
    """Render again from manifests; 1 where a file differs."""
    with show.progress(quiet=arguments.quiet) as tell:
        found = pipeline.verify(Path(arguments.folder), song=arguments.song, progress=tell)
    if arguments.json:
        show.as_json(
            {
                item.variant: {"identical": item.identical, "differences": list(item.differences)}
                for item in found
            }
        )
    else:
        for item in found:
            show.say(f"{item.variant}: {'identical' if item.identical else 'differs'}")
            for line in item.differences:
                show.say(f"  {line}")
    return 0 if all(item.identical for item in found) else 1
