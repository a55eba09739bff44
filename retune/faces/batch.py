"""`retune batch`: many songs and variants as a list of small jobs.

joblib runs them, on local processes or on a Dask cluster; the same function makes the same
bytes. Every song's unaltered files are one job, made first; each variant is one more.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from retune.core.csvtext import table
from retune.core.errors import InputError, RetuneError, UsageError
from retune.core.files import atomic_write, make_folder
from retune.core.songfile import read_song, read_variants
from retune.core.text import file_stem
from retune.faces import show
from retune.faces.batch_report import write_report
from retune.pipeline.jobs import Job, run_job
from retune.pipeline.writing import ORIGINAL, check_options

MAX_TRIES = 2
"""A job that took its worker with it this often is given up."""
COLUMNS = (
    *("song", "variant", "state", "edits", "largest_shift_cents", "loudness_lufs", "gain_db"),
    *("true_peak_db", "seconds", "verdicts", "warnings", "inputs", "outputs", "error"),
)
Record = dict[str, Any]


@dataclass
class Tally:
    """The records so far, by song and variant."""

    records: dict[tuple[str, str], Record] = field(default_factory=dict)
    began: float = field(default_factory=time.monotonic)

    def add(self, record: Record) -> None:
        self.records[record["song"], record["variant"]] = record

    def count(self, state: str) -> int:
        return sum(record["state"] == state for record in self.records.values())

    def in_order(self) -> list[Record]:
        return [self.records[key] for key in sorted(self.records)]


def batch(arguments: argparse.Namespace) -> int:
    """Run the command; 1 if any job failed, the rest being done all the same."""
    out = Path(arguments.out)
    if arguments.dask:
        _connect(arguments.dask)
    check_options(engine=arguments.engine, subtype=arguments.subtype)
    tally = Tally()
    originals, variants = _jobs(arguments, tally)
    make_folder(out)
    total = len(originals) + len(variants) + len(tally.records)
    stopped = False
    with _progress(total, quiet=arguments.quiet) as tell:

        def note(record: Record) -> None:
            tally.add(record)
            tell(len(tally.records), tally)

        try:
            _run(originals, arguments, note)
            _run(_with_original(variants, tally, note), arguments, note)
        except KeyboardInterrupt:
            stopped = True
            _end_workers()
    _clear_leftovers(out, [*originals, *variants])
    _write_summary(out, tally)
    if arguments.report is not None:
        page = write_report(tally.in_order(), out=out, report=Path(arguments.report))
        show.say(f"open {page} in a browser", quiet=arguments.quiet)
    _close(arguments, tally, total, stopped=stopped)
    return 1 if stopped or tally.count("failed") else 0


# --- the list of jobs ------------------------------------------------------------------------


def _jobs(arguments: argparse.Namespace, tally: Tally) -> tuple[list[Job], list[Job]]:
    shared = read_variants(Path(arguments.variants)) if arguments.variants else None
    originals: list[Job] = []
    variants: list[Job] = []
    for path, name in _named(arguments.song):
        try:
            own = read_song(path).variants if shared is None else shared
            if not own:
                raise InputError(f"{path}: no [variants.NAME] table: add one, or give --variants")
        except RetuneError as error:
            tally.add(_failed(name, "*", str(error)))
            continue
        common: dict[str, Any] = {
            "song": os.path.realpath(path),
            "name": name,
            "out": os.path.realpath(arguments.out),
            "subtype": arguments.subtype,
            "tracker": arguments.tracker,
            "use_cache": not arguments.no_cache,
            "resume": arguments.resume,
            "extras": arguments.report is not None,
        }
        originals.append(Job(variant=ORIGINAL, rules=(), **common))
        variants += [
            Job(
                variant=variant.name,
                rules=tuple(variant.rules),
                engine=arguments.engine,
                control=arguments.control,
                **common,
            )
            for variant in own.values()
        ]
    return originals, variants


def _named(songs: Sequence[str]) -> Iterator[tuple[Path, str]]:
    """Each song with a folder name of its own, the same on every run."""
    taken: set[str] = set()
    for text in dict.fromkeys(songs):
        path = Path(text)
        plain = Path(os.path.realpath(path)).parent.name if path.name == "song.toml" else path.stem
        name, number = file_stem(plain), 1
        while name.casefold() in taken:
            number += 1
            name = f"{file_stem(plain)}-{number}"
        taken.add(name.casefold())
        yield path, name


def _failed(song: str, variant: str, error: str) -> Record:
    return {
        "song": song,
        "variant": variant,
        "state": "failed",
        "error": error,
        "seconds": 0.0,
    }


def _with_original(
    variants: Sequence[Job], tally: Tally, note: Callable[[Record], None]
) -> list[Job]:
    """The variants of songs whose unaltered files were made; the others fail by name."""
    ready = []
    for job in variants:
        original = tally.records.get((job.name, ORIGINAL))
        if original is None or original["state"] == "failed":
            why = original["error"] if original else "its song was not read"
            note(_failed(job.name, job.variant, f"not tried: {why}"))
        else:
            ready.append(job)
    return ready


# --- running ---------------------------------------------------------------------------------


def _run(
    jobs: Sequence[Job], arguments: argparse.Namespace, note: Callable[[Record], None]
) -> None:
    """Run jobs, and again those that died with their worker, one at a time and alone."""
    waiting = list(jobs)
    tries: dict[str, int] = {}
    alone = False
    while waiting:
        batch_now = waiting[:1] if alone else waiting
        done, broken = _run_once(batch_now, arguments, note, n_jobs=1 if alone else arguments.jobs)
        left = [job for job in waiting if job.title not in done]
        if not broken:
            waiting, alone = left, bool(alone and left)
            continue
        suspects = [job for job in left if job.marker.exists()]
        if not done and not suspects:
            # Nothing ran at all: the workers themselves are at fault, not any job.
            for job in left:
                note(_failed(job.name, job.variant, f"no worker could run it: {broken}"))
            return
        for job in suspects:
            tries[job.title] = tries.get(job.title, 0) + 1
            job.marker.unlink(missing_ok=True)
        lost = {job.title for job in suspects if tries[job.title] >= MAX_TRIES}
        for job in suspects:
            if job.title in lost:
                note(_failed(job.name, job.variant, f"its worker died {MAX_TRIES} times: {broken}"))
        known = {job.title for job in suspects}
        waiting = [job for job in left if job.title not in lost]
        # Suspects go first and alone: a job that kills its worker cannot take others with it.
        waiting.sort(key=lambda job: job.title not in known)
        alone = any(job.title in known for job in waiting)


def _run_once(
    jobs: Sequence[Job],
    arguments: argparse.Namespace,
    note: Callable[[Record], None],
    *,
    n_jobs: int,
) -> tuple[set[str], str]:
    """Titles of the jobs done, and in words what broke the workers ("" if nothing did)."""
    from joblib import Parallel, delayed

    done: set[str] = set()
    try:
        with _backend(arguments):
            results = Parallel(
                n_jobs=n_jobs,
                batch_size=1,
                pre_dispatch="2*n_jobs",
                return_as="generator_unordered",
            )(delayed(run_job)(job) for job in jobs)
            for record in results:
                done.add(f"{record['song']}/{record['variant']}")
                note(record)
    except RetuneError:
        raise
    except Exception as error:
        # joblib names a dead worker differently by backend; the work that is done stays done.
        return done, " ".join(f"{type(error).__name__}: {error}".split())[:200]
    return done, ""


def _backend(arguments: argparse.Namespace) -> AbstractContextManager[Any]:
    from joblib import parallel_config

    if arguments.dask:
        return parallel_config(backend="dask")  # type: ignore[no-any-return]
    if arguments.jobs == 1:
        return nullcontext()
    return parallel_config(backend="loky", inner_max_num_threads=1)  # type: ignore[no-any-return]


def _connect(address: str) -> None:
    try:
        from distributed import Client, get_client
    except ImportError:
        raise UsageError("--dask needs the extra: pip install 'retune[dask]'") from None
    try:
        get_client()
        return
    except ValueError:
        pass
    _knock(address)
    try:
        Client(address, timeout="10s", set_as_default=True)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as error:
        raise UsageError(f"--dask {address}: no scheduler answers there ({error})") from error


def _knock(address: str) -> None:
    """Ask for a plain connection first: a Dask client waits long for one that never comes."""
    import socket
    from urllib.parse import urlsplit

    try:
        parts = urlsplit(address)
        host, port = parts.hostname, parts.port
    except ValueError:
        host, port, parts = None, None, urlsplit("")
    if parts.scheme not in ("tcp", "tls") or not host or not port:
        raise UsageError(f'--dask {address}: write the scheduler as "tcp://host:8786"')
    try:
        socket.create_connection((host, port), timeout=5.0).close()
    except OSError as error:
        raise UsageError(f"--dask {address}: no scheduler answers there ({error})") from error


def _end_workers() -> None:
    from joblib.externals.loky import get_reusable_executor

    get_reusable_executor().shutdown(wait=False, kill_workers=True)


def _clear_leftovers(out: Path, jobs: Sequence[Job]) -> None:
    """Remove what killed workers left: their markers and half-written temporary files."""
    for job in jobs:
        for pattern in (".retune-*.tmp", ".*.part"):
            for path in job.home.rglob(pattern) if job.home.is_dir() else ():
                path.unlink(missing_ok=True)
    folder = out / ".running"
    for path in folder.glob("*.txt") if folder.is_dir() else ():
        path.unlink(missing_ok=True)
    if folder.is_dir():
        folder.rmdir()


# --- what is told ----------------------------------------------------------------------------


@contextmanager
def _progress(total: int, *, quiet: bool) -> Iterator[Callable[[int, Tally], None]]:
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
        rate = done / max(now - tally.began, 1e-9)
        left = (total - done) / rate if rate else 0.0
        line = f"{done} of {total} jobs, {60 * rate:.1f} a minute, {left:.0f} s left"
        failed = tally.count("failed")
        line += f", {failed} failed" if failed else ""
        sys.stderr.write(f"\r{line}\033[K" if on_terminal else f"{line}\n")
        sys.stderr.flush()

    try:
        yield tell
    finally:
        if on_terminal:
            sys.stderr.write("\n")


def _close(arguments: argparse.Namespace, tally: Tally, total: int, *, stopped: bool) -> None:
    records = tally.in_order()
    if arguments.json:
        show.as_json({"jobs": records, "stopped": stopped})
    for record in records:
        if record["state"] == "failed":
            sys.stderr.write(
                f"retune: error: {record['song']}/{record['variant']}: {record['error']}\n"
            )
    counts = ", ".join(f"{tally.count(state)} {state}" for state in ("done", "skipped", "failed"))
    left = total - len(records)
    tail = f", {left} not begun (--resume goes on)" if stopped else ""
    seconds = time.monotonic() - tally.began
    show.say(
        f"{counts}{tail} in {seconds:.1f} s; see {Path(arguments.out) / 'batch.csv'}",
        quiet=arguments.quiet,
    )


def _write_summary(out: Path, tally: Tally) -> None:
    """`batch.json` and `batch.csv`: one record a job, whole or not at all."""
    records = tally.in_order()
    with atomic_write(out / "batch.json", "w") as stream:
        json.dump(records, stream, ensure_ascii=False, allow_nan=False, indent=1, sort_keys=True)
        stream.write("\n")
    rows = ([_in_one_cell(record.get(name)) for name in COLUMNS] for record in records)
    with atomic_write(out / "batch.csv", "w") as stream:
        stream.write(table(COLUMNS, rows))


def _in_one_cell(value: Any) -> Any:
    """A value of a record, hashes and lists as text."""
    if isinstance(value, Mapping):
        return " ".join(f"{name}={digest[:16]}" for name, digest in sorted(value.items()))
    return "; ".join(map(str, value)) if isinstance(value, (list, tuple)) else value
