"""`retune batch SONG... --report DIR` without `--out`: many songs studied, nothing rendered."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from retune.carriers.errors import RetuneError, UsageError
from retune.carriers.text import counted
from retune.faces import show
from retune.faces.batch import progress_line, workers_of
from retune.faces.batch_places import Places, joined, places_of, song_places
from retune.faces.batch_tally import Tally
from retune.faces.stopping import stoppable_once, stopped_by
from retune.pipeline.jobs import failed
from retune.pipeline.records import Record
from retune.pipeline.study import Study, run_study
from retune.pipeline.workers import Task, Workers, run_tasks
from retune.song.songfile import read_song, read_variants
from retune.sound.folders import make_folder, named_folder
from retune.sound.made_files import made_file, refuse_other_file
from retune.sound.stores import as_path, is_address

FORMATS = ("csv", "parquet", "jams")


def study(arguments: argparse.Namespace) -> int:
    """Run the command; 1 if a song failed, the rest being studied all the same."""
    formats = _formats(arguments.format)
    if "jams" in formats and is_address(as_path(arguments.report)):
        raise UsageError("JAMS has a file a song and version: give --report a folder for it")
    with places_of(None, arguments.report) as places:
        return _study(arguments, formats, places)


def _study(arguments: argparse.Namespace, formats: Sequence[str], places: Places) -> int:
    assert places.report is not None
    report = named_folder(places.report)
    tally = Tally()
    studies = _studies(arguments, tally, report if "jams" in formats else None)
    workers = workers_of(arguments)
    total = len(studies) + len(tally)
    refuse_other_file(report / "index.html")
    refuse_other_file(report / "endings.svg")
    refuse_other_file(report / "phrases.csv", head="song,")
    refuse_other_file(report / "phrases.parquet")
    with places.sole_writer(), stoppable_once():
        stopped = _run(studies, workers, tally, total=total, quiet=arguments.quiet)
        places.ready()
        _write(report, tally, formats)
    _close(arguments, tally)
    return stopped or int(tally.count("failed") > 0)


def _formats(text: str) -> list[str]:
    wanted = [word.strip() for word in text.split(",") if word.strip()]
    for name in wanted:
        if name not in FORMATS:
            raise UsageError(f'no table format "{name}": use {", ".join(FORMATS)}')
    from retune.comparison.exports.material import need

    for name, package, extra in (("parquet", "pyarrow", "corpus"), ("jams", "jams", "exports")):
        if name in wanted:
            need(package, extra=extra)
    return wanted


def _studies(arguments: argparse.Namespace, tally: Tally, report: Path | None) -> list[Study]:
    shared = read_variants(Path(arguments.variants)) if arguments.variants else None
    if report is not None:
        make_folder(report / "jams")
    found = []
    for place in song_places(arguments.song):
        name = place.name
        try:
            with place.described() as path:
                own = read_song(path).variants if shared is None else shared
        except RetuneError as error:
            tally.add(failed(name, "*", str(error)))
            continue
        found.append(
            Study(
                song=place.path,
                name=name,
                variants=tuple((v.name, tuple(v.rules)) for v in own.values()),
                tracker=arguments.tracker,
                use_cache=not arguments.no_cache,
                jams=str(report / "jams" / name) if report is not None else "",
            )
        )
    return found


def _run(
    studies: Sequence[Study], workers: Workers, tally: Tally, *, total: int, quiet: bool
) -> int:
    with progress_line(total, quiet=quiet) as tell:

        def note(task: Task, record: Record) -> list[Task]:
            tally.add(record)
            tell(len(tally), tally)
            return []

        def lost(task: Task, why: str) -> list[Task]:
            return note(task, failed(task.given.name, "*", why))

        try:
            tasks = (Task(f"{one.name} studied", run_study, one) for one in studies)
            run_tasks(tasks, workers=workers, done=note, lost=lost)
        except KeyboardInterrupt as stop:
            workers.stop()
            return stopped_by(stop)
    workers.leave()
    return 0


def _write(report: Path, tally: Tally, formats: Sequence[str]) -> None:
    from retune.comparison.exports.phrase_files import phrases_csv, phrases_parquet
    from retune.comparison.study_page import by_position, study_page
    from retune.comparison.study_picture import shares_svg

    records = list(tally.in_order())
    rows = [row for record in records for row in record.get("rows", ())]
    columns = (name for row in rows for name in row if name.endswith(".degree"))
    variants = [name.removesuffix(".degree") for name in dict.fromkeys(columns)]
    faults = {record["song"]: record["error"] for record in records if record["error"]}
    page = study_page(rows, variants, title="How phrases end", failed=faults)
    contents: dict[str, str | bytes] = {"index.html": page}
    contents["endings.svg"] = shares_svg(by_position(rows))
    if "csv" in formats:
        contents["phrases.csv"] = phrases_csv(rows, variants)
    if "parquet" in formats:
        contents["phrases.parquet"] = phrases_parquet(rows, variants)
    for name, content in contents.items():
        head = "song," if name == "phrases.csv" else ""
        mode = "w" if isinstance(content, str) else "wb"
        with made_file(report / name, mode, head=head) as stream:
            stream.write(content)


def _close(arguments: argparse.Namespace, tally: Tally) -> None:
    records = list(tally.in_order())
    if arguments.json:
        show.as_json({"songs": records})
    for record in records:
        if record["state"] == "failed":
            show.warn([f"{record['song']}: {record['error']}"])
        else:
            show.warn([f"{record['song']}: {line}" for line in record["warnings"]])
    n_phrases = sum(len(record.get("rows", ())) for record in records)
    told = f"{counted(n_phrases, 'phrase')} in {counted(tally.count('done'), 'song')}"
    show.say(
        f"{told}; open {joined(arguments.report, 'index.html')} in a browser",
        quiet=arguments.quiet,
    )
