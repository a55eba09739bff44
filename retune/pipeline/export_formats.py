"""Take-away files of a song and its variants, each written whole or not at all."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from retune.carriers.changes import Plan
from retune.carriers.errors import UsageError
from retune.comparison.exports.material import ORIGINAL, Material
from retune.pipeline.export_job import ExportOptions, Job
from retune.pipeline.export_sound import check_film, clips, film_files, stem_files
from retune.pipeline.inputs import Progress, SongInputs, silent
from retune.pipeline.made_before import refuse_filled
from retune.pipeline.renditions import check_options
from retune.pipeline.song_analysis import analysis_of
from retune.pipeline.song_plan import plan_of, plans_of
from retune.pipeline.tension_curves import tension_curves
from retune.song.csvtext import first_line
from retune.sound.folders import named_folder
from retune.sound.made_files import made_file


@dataclass(frozen=True)
class Exported:
    """The files written, in order, and what to warn of."""

    paths: tuple[Path, ...]
    warnings: tuple[str, ...] = ()


Content = str | bytes


def _texts(job: Job, files: Iterator[tuple[str, Content]]) -> Iterator[Path]:
    """Write files by the end of their name."""
    for end, content in files:
        path = job.place(end)
        is_table = isinstance(content, str) and path.suffix == ".csv"
        head = first_line(str(content)) if is_table else ""
        mode = "w" if isinstance(content, str) else "wb"
        with made_file(path, mode, head=head, song=job.opened.song.path) as stream:
            stream.write(content)
        yield path


def _midi(job: Job) -> Iterator[tuple[str, Content]]:
    from retune.comparison.exports.midi import midi_bytes

    yield ".mid", midi_bytes(job.material, bend=job.options.bend)


def _musicxml(job: Job) -> Iterator[tuple[str, Content]]:
    from retune.comparison.exports.musicxml import musicxml_text

    for name, plan in job.material.versions:
        text = musicxml_text(job.material, plan, resolution=job.options.resolution)
        yield f"-{name}.musicxml", text


def _csv(job: Job) -> Iterator[tuple[str, Content]]:
    from retune.comparison.exports.tables import csv_tables

    for end, text in csv_tables(job.material).items():
        yield f"-{end}", text


def _parquet(job: Job) -> Iterator[tuple[str, Content]]:
    from retune.comparison.exports.phrase_files import song_parquet

    yield "-phrases.parquet", song_parquet(job.material)


def _jams(job: Job) -> Iterator[tuple[str, Content]]:
    from retune.comparison.exports.jams_file import jams_text

    for name, plan in job.material.versions:
        yield f"-{name}.jams", jams_text(job.material, plan)


def _lab(job: Job) -> Iterator[tuple[str, Content]]:
    from retune.comparison.exports.labels import beats_lab, chords_lab

    yield "-chords.lab", chords_lab(job.material.analysis)
    yield "-beats.lab", beats_lab(job.material.analysis)


def _svg(job: Job) -> Iterator[tuple[str, Content]]:
    from retune.comparison.exports.pictures import picture_svg

    for name, plan in job.material.versions:
        yield f"-picture-{name}.svg", picture_svg(job.material, plan)
    yield from _ladders(job, "svg")


def _png(job: Job) -> Iterator[tuple[str, Content]]:
    from retune.comparison.exports.pictures import picture_png

    for name, plan in job.material.versions:
        yield f"-picture-{name}.png", picture_png(job.material, plan)
    yield from _ladders(job, "png")


def _ladders(job: Job, fmt: str) -> Iterator[tuple[str, Content]]:
    """The ladder of endings of each version, where there are phrases."""
    from retune.comparison.exports.pictures import ladder_file
    from retune.comparison.ladder_layout import ladder_rows

    if ladder_rows(job.material.analysis):
        for name, plan in job.material.versions:
            yield f"-ladder-{name}.{fmt}", ladder_file(job.material, plan, fmt=fmt)


def _pdf(job: Job) -> Iterator[tuple[str, Content]]:
    from retune.comparison.exports.classroom import handout_pdf
    from retune.comparison.exports.pictures import picture_pdf
    from retune.comparison.exports.slides_pdf import slides_pdf

    for name, plan in job.material.versions:
        yield f"-picture-{name}.pdf", picture_pdf(job.material, plan)
    yield from _ladders(job, "pdf")
    yield "-slides.pdf", slides_pdf(job.material)
    handouts: Sequence[Plan | None] = job.material.plans or (None,)
    for plan in handouts:
        end = f"-{plan.name}" if plan else ""
        yield f"-handout{end}.pdf", handout_pdf(job.material, plan)


def _pptx(job: Job) -> Iterator[tuple[str, Content]]:
    from retune.comparison.exports.pptx_file import slides_pptx

    yield "-slides.pptx", slides_pptx(job.material, clip=clips(job))


def _blind(job: Job) -> Iterator[tuple[str, Content]]:
    from retune.comparison.exports.blind_sheet import answers_csv, design_json, design_of, sheet_pdf

    for plan in job.material.plans:
        design = design_of(job.material, plan)
        if design is None:
            job.warnings.append(f"{plan.name} touches no phrase: no blind test is made of it")
            continue
        start = f"-blind-{plan.name}"
        refuse_filled(job.place(f"{start}-answers.csv"))
        yield f"{start}-key.json", design_json(job.material, plan, design)
        yield f"{start}-sheet.pdf", sheet_pdf(job.material, plan, design)
        yield f"{start}-answers.csv", answers_csv(design)


FORMATS: Mapping[str, Callable[[Job], Iterator[Path]]] = {
    "midi": lambda job: _texts(job, _midi(job)),
    "musicxml": lambda job: _texts(job, _musicxml(job)),
    "csv": lambda job: _texts(job, _csv(job)),
    "parquet": lambda job: _texts(job, _parquet(job)),
    "jams": lambda job: _texts(job, _jams(job)),
    "lab": lambda job: _texts(job, _lab(job)),
    "svg": lambda job: _texts(job, _svg(job)),
    "png": lambda job: _texts(job, _png(job)),
    "pdf": lambda job: _texts(job, _pdf(job)),
    "pptx": lambda job: _texts(job, _pptx(job)),
    "mp4": film_files,
    "stems": stem_files,
    "blind": lambda job: _texts(job, _blind(job)),
}
"""Every export format by the word that names it."""


def export_files(
    opened: SongInputs,
    *,
    formats: Sequence[str],
    out: str | Path,
    variants: Sequence[str] | None = None,
    rules: Sequence[str] | None = None,
    choices: ExportOptions | None = None,
    progress: Progress = silent,
) -> Exported:
    """Write take-away files of a song and its variants into folder `out`.

    Parameters
    ----------
    formats : sequence of str
        Words of `FORMATS`.
    variants : names, optional
        Variants of the song file; all of them by default. Or `rules` instead.
    choices : ExportOptions, optional
        Grid of the score, pitch bend, what a film plays.

    Raises
    ------
    UsageError
        No such format or variant, a file would fall on an input, or an extra is not installed.
    OutputError
        A file cannot be written.
    """
    wanted = _known(formats)
    analysis = analysis_of(opened, progress=progress)
    plans = _plans(opened, variants, rules, progress)
    material = Material(
        analysis=analysis,
        plans=plans,
        rights=opened.song.rights,
        source=opened.song.path.name,
        inputs={stem.path.name: opened.sha256(name) for name, stem in opened.song.stems.items()},
        abouts={name: variant.about for name, variant in opened.song.variants.items()},
        tension=tension_curves(analysis, [Plan((), name=ORIGINAL), *plans]),
    )
    folder = named_folder(out)
    job = Job(opened, material, choices or ExportOptions(), folder, progress)
    _check_choices(wanted, job)
    paths: list[Path] = []
    for done, name in enumerate(wanted):
        progress(f"exporting {name}", done / len(wanted))
        paths += FORMATS[name](job)
    job.warnings.extend(_boxes(wanted, material))
    progress("exporting", 1.0)
    planned = (line for plan in plans for line in plan.warnings)
    warnings = [*analysis.warnings, *planned, *job.warnings]
    shown = (Path(out) / path.relative_to(folder) for path in paths)
    return Exported(tuple(shown), tuple(dict.fromkeys(warnings)))


def _boxes(formats: Sequence[str], material: Material) -> list[str]:
    """What to say where no font of this machine has letters of the song."""
    from retune.comparison.exports.typesetting import without_a_font

    missing = without_a_font(material.words) if {"pdf", "png", "pptx", "mp4"} & {*formats} else ""
    if not missing:
        return []
    shown = missing if len(missing) <= 12 else f"{missing[:12]} ..."
    return [
        f"no font of this machine has {shown}: boxes stand for such letters; install a font that "
        "has them, and export again"
    ]


def _check_choices(formats: Sequence[str], job: Job) -> None:
    """Refuse what no file can be made with before the first is made. Raises UsageError."""
    from retune.comparison.exports.rhythm import grid_of

    if "musicxml" in formats:
        grid_of(job.material.analysis.bars, resolution=job.options.resolution)
    if "mp4" in formats:
        check_film(job)
    if {"mp4", "stems", "pptx"} & {*formats}:
        check_options(engine=job.options.engine, subtype=None)


def _known(formats: Sequence[str]) -> list[str]:
    import difflib

    for name in formats:
        if name not in FORMATS:
            near = difflib.get_close_matches(name, list(FORMATS), n=1)
            hint = f'; did you mean "{near[0]}"?' if near else ""
            raise UsageError(f'no export format "{name}": use {", ".join(FORMATS)}{hint}')
    if not formats:
        raise UsageError(f"no export format was given: use {', '.join(FORMATS)}")
    return list(dict.fromkeys(formats))


def _plans(
    opened: SongInputs,
    variants: Sequence[str] | None,
    rules: Sequence[str] | None,
    progress: Progress,
) -> tuple[Plan, ...]:
    if rules:
        return (plan_of(opened, rules=rules, progress=progress),)
    if variants is None and not opened.song.variants:
        return ()
    return plans_of(opened, variants, progress=progress)
