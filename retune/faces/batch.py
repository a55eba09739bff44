"""`retune batch`: many songs and variants as a list of small jobs, run here, on local processes
or on a Dask cluster; the same function makes the same bytes."""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from textwrap import indent
from typing import Any

from retune.carriers.errors import InputError, RetuneError
from retune.carriers.text import printable
from retune.faces import show
from retune.faces.batch_places import Places, joined, places_of, song_places
from retune.faces.batch_report import check_report, write_report
from retune.faces.batch_tally import Tally
from retune.faces.stopping import stoppable_once, stopped_by
from retune.pipeline.batch_tasks import SongJobs, run_batch
from retune.pipeline.jobs import Job, failed
from retune.pipeline.made_before import are_records
from retune.pipeline.records import Record
from retune.pipeline.rendition_files import ORIGINAL
from retune.pipeline.renditions import check_options
from retune.pipeline.stages import shared_memory
from retune.pipeline.workers import InThisProcess, LocalProcesses, Workers
from retune.song.csvtext import table_lines
from retune.song.songfile import read_song, read_variants
from retune.sound.files import clear_unfinished
from retune.sound.made_files import made_file, refuse_other_file

COLUMNS = (
    *("song", "variant", "state", "edits", "largest_shift_cents", "loudness_lufs", "gain_db"),
    *("true_peak_db", "seconds", "verdicts", "warnings", "inputs", "outputs", "error"),
)

SHORT_BYTES = 150 << 20
"""Stems times variants of a batch that is done, in some 3 s, before other processes have begun."""


def batch(arguments: argparse.Namespace) -> int:
    """Run the command; 1 if any job failed, the rest being done all the same; the code of
    `stopped_by` if it was stopped."""
    with places_of(arguments.out, arguments.report) as places:
        return _batch(arguments, places)


def _batch(arguments: argparse.Namespace, places: Places) -> int:
    assert places.out is not None
    workers = workers_of(arguments)
    check_options(engine=arguments.engine, subtype=arguments.subtype)
    tally = Tally()
    songs = _songs(arguments, tally, places)
    if isinstance(workers, LocalProcesses) and sum(s.work_bytes for s in songs) < SHORT_BYTES:
        workers = InThisProcess()
    _check_files(places.out, places.report)
    if not arguments.no_cache:
        shared_memory().tell()
    total = sum(1 + len(song.variants) for song in songs) + len(tally)
    with places.sole_writer(), stoppable_once():
        stopped = _run(songs, workers, tally, total=total, quiet=arguments.quiet)
        _clear_leftovers(songs, places)
        places.ready()
        _write_summary(places.out, tally)
        if places.report is not None:
            write_report(tally, out=places.out, report=places.report)
            page = joined(arguments.report, "index.html")
            show.say(f"open {page} in a browser", quiet=arguments.quiet)
    _close(arguments, tally, total, stopped=stopped > 0)
    return stopped or int(tally.count("failed") > 0)


_HEAD = f"{COLUMNS[0]},{COLUMNS[1]},"


def _check_files(out: Path, report: Path | None) -> None:
    """Refuse, before anything is worked on, to write over files of somebody else's."""
    refuse_other_file(out / "batch.csv", head=_HEAD)
    refuse_other_file(out / "batch.json", is_ours=are_records("state"))
    if report is not None:
        check_report(report)


def _run(
    songs: Sequence[SongJobs], workers: Workers, tally: Tally, *, total: int, quiet: bool
) -> int:
    """Do the jobs; the exit code if they were stopped before the end, else 0."""
    with progress_line(total, quiet=quiet) as tell:

        def note(record: Record) -> None:
            tally.add(record)
            tell(len(tally), tally)

        try:
            run_batch(songs, workers=workers, note=note)
        except KeyboardInterrupt as stop:
            workers.stop()
            return stopped_by(stop)
    workers.leave()
    return 0


def workers_of(arguments: argparse.Namespace) -> Workers:
    """Where the work is done: a cluster, processes here, or this one."""
    if arguments.dask:
        from retune.pipeline.cluster import DaskCluster

        return DaskCluster(arguments.dask)
    if arguments.jobs == 1:
        return InThisProcess()
    return LocalProcesses(arguments.jobs)


# --- the list of jobs ------------------------------------------------------------------------


def _songs(arguments: argparse.Namespace, tally: Tally, places: Places) -> list[SongJobs]:
    shared = read_variants(Path(arguments.variants)) if arguments.variants else None
    songs = []
    for place in song_places(arguments.song):
        name = place.name
        try:
            with place.described() as path:
                song = read_song(path)
                size_bytes = sum(_size(s.path) for s in song.stems.values())
            own = song.variants if shared is None else shared
            if not own:
                raise InputError(
                    f"{place.text}: no [variants.NAME] table: add one, or give --variants"
                )
        except RetuneError as error:
            tally.add(failed(name, "*", str(error)))
            continue
        except Exception as error:  # one bad song never ends a batch
            words = printable(f"unexpected: {type(error).__name__}: {error}")
            tally.add(failed(name, "*", words))
            continue
        common: dict[str, Any] = {
            "song": place.path,
            "name": name,
            "out": os.path.realpath(places.out or ""),
            "subtype": arguments.subtype,
            "tracker": arguments.tracker,
            "use_cache": not arguments.no_cache,
            "resume": arguments.resume,
            "extras": arguments.report is not None,
        }
        variants = tuple(
            Job(
                variant=variant.name,
                rules=tuple(variant.rules),
                engine=arguments.engine,
                control=arguments.control,
                changed_only=arguments.changed_only,
                **common,
            )
            for variant in own.values()
        )
        original = Job(variant=ORIGINAL, rules=(), **common)
        songs.append(
            SongJobs(
                original,
                variants,
                size_bytes,
                place.source,
                places.target,
                is_remembered=not arguments.dask,
            )
        )
    return songs


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _clear_leftovers(songs: Sequence[SongJobs], places: Places) -> None:
    """Remove the half-written temporary files that killed workers left."""
    for song in songs:
        places.clear(song.name)
    for job in (job for song in songs for job in (song.original, *song.variants)):
        for folder in (job.home, *job.home.rglob("*/")):
            clear_unfinished(folder)


# --- what is told ----------------------------------------------------------------------------


@contextmanager
def progress_line(total: int, *, quiet: bool) -> Iterator[Callable[[int, Tally], None]]:
    """A line with rate and time left: a bar on a terminal, else a line every ten seconds."""
    if quiet:
        yield lambda done, tally: None
        return
    last = 0.0
    on_terminal = sys.stderr.isatty()

    def tell(done: int, tally: Tally) -> None:
        nonlocal last
        now = time.monotonic()
        if done < total and now - last < (0.2 if on_terminal else 10.0):
            return
        last = now
        seconds = now - (tally.work_began or now)
        line = f"{done} of {total} jobs{pace(tally, total=total, seconds=seconds)}"
        failed = tally.count("failed")
        line += f", {failed} failed" if failed else ""
        sys.stderr.write(f"\r{line}\033[K" if on_terminal else f"{line}\n")
        sys.stderr.flush()

    try:
        yield tell
    finally:
        if on_terminal:
            sys.stderr.write("\n")


def pace(tally: Tally, *, total: int, seconds: float) -> str:
    """Rate and time left by what was worked on in so many seconds: a job that is skipped as whole
    costs next to nothing."""
    skipped = tally.count("skipped")
    worked = len(tally) - skipped
    said = f", {skipped} skipped" if skipped else ""
    if not worked:
        return said
    rate = worked / max(seconds, 1e-9)
    left = (total - len(tally)) / rate
    return f"{said}, {60 * rate:.1f} a minute, {left:.0f} s left"


def _close(arguments: argparse.Namespace, tally: Tally, total: int, *, stopped: bool) -> None:
    if arguments.json:
        show.as_json({"jobs": list(tally.in_order()), "stopped": stopped})
    failures = tally.in_order() if tally.count("failed") else ()
    for record in failures:
        if record["state"] == "failed":
            title = f"{record['song']}/{record['variant']}"
            sys.stderr.write(f"retune: error: {title}: {record['error']}\n")
            if arguments.debug:
                sys.stderr.write(tally.tracebacks.get(title, ""))
    counts = ", ".join(f"{tally.count(state)} {state}" for state in ("done", "skipped", "failed"))
    left = total - len(tally)
    tail = f", {left} not begun (--resume goes on)" if stopped else ""
    seconds = time.monotonic() - tally.began
    show.say(
        f"{counts}{tail} in {seconds:.1f} s; see {joined(arguments.out, 'batch.csv')}",
        quiet=arguments.quiet,
    )


def _write_summary(out: Path, tally: Tally) -> None:
    """`batch.json` and `batch.csv`: one record a job, whole or not at all."""
    with made_file(out / "batch.json", "w", is_ours=are_records("state")) as stream:
        stream.writelines(_json_list(tally.in_order()))
    rows = ([_in_one_cell(record.get(name)) for name in COLUMNS] for record in tally.in_order())
    with made_file(out / "batch.csv", "w", head=_HEAD) as stream:
        stream.writelines(table_lines(COLUMNS, rows))


def _json_list(records: Iterable[Record]) -> Iterator[str]:
    """A JSON list as it is written in one go, a record at a time."""
    before = "["
    for record in records:
        text = json.dumps(record, ensure_ascii=False, allow_nan=False, indent=1, sort_keys=True)
        yield f"{before}\n{indent(text, ' ')}"
        before = ","
    yield "[]\n" if before == "[" else "\n]\n"


def _in_one_cell(value: Any) -> Any:
    """A value of a record, hashes and lists as text."""
    if isinstance(value, Mapping):
        return " ".join(f"{name}={digest[:16]}" for name, digest in sorted(value.items()))
    return "; ".join(map(str, value)) if isinstance(value, (list, tuple)) else value
