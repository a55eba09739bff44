"""Songs times variants as tasks.

Of many songs each is one task, so that one worker alone opens it. The last songs, and long ones,
are taken apart, so that no worker waits for another: a song's variants begin once it has been heard
and its unaltered files are there, which two workers do side by side.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from retune.carriers.errors import RetuneError
from retune.pipeline.jobs import Heard, Hearing, Job, failed, run_hearing, run_job
from retune.pipeline.records import Record
from retune.pipeline.rendition_files import ORIGINAL
from retune.pipeline.stored_songs import fetch_song, sent_back, told, working_folder
from retune.pipeline.workers import InThisProcess, Task, Workers, run_tasks
from retune.sound.stores import below

WHOLE_BYTES = 1 << 30
"""Stems times what is made of them, for a song that is one task: some 20 s of work, so that what is
done is told meanwhile, and little is lost when the batch is stopped."""


@dataclass(frozen=True)
class SongJobs:
    """What is to be made of one song, which has `size_bytes` of stems. `source` is the address of
    a song that lies in a file store, `target` that of the folder of a store in which its own folder
    is to stand; "" for places of this machine, which the jobs name. `is_remembered` where this
    machine alone writes there, so that it knows what it wrote last."""

    original: Job
    variants: tuple[Job, ...]
    size_bytes: int = 0
    source: str = ""
    target: str = ""
    is_remembered: bool = False

    @property
    def is_stored(self) -> bool:
        """Whether its files come from a store or go to one."""
        return bool(self.source or self.target)

    def failed(self, why: str) -> list[Record]:
        """The records of all its jobs where none could be done."""
        others = [failed(job.name, job.variant, f"not tried: {why}") for job in self.variants]
        return [failed(self.original.name, self.original.variant, why), *others]

    @property
    def name(self) -> str:
        """Folder of the song below the folder of the batch."""
        return self.original.name

    @property
    def work_bytes(self) -> int:
        """Its stems times what is made of them: what it costs goes with that."""
        return self.size_bytes * (1 + len(self.variants))


def run_batch(
    songs: Sequence[SongJobs], *, workers: Workers, note: Callable[[Record], None]
) -> None:
    """Do every job and give its record to `note`; the longest songs first, song by song.

    A song that cannot be heard, or whose unaltered files cannot be written, fails with all its
    variants; nothing else stops anything else.
    """
    longest_first = sorted(songs, key=lambda song: -song.size_bytes)
    n_whole = len(songs) - workers.width() // 2 if workers.width() > 1 else 0
    states = {
        song.name: _State(
            song,
            note,
            is_whole=song.is_stored or (k < n_whole and song.work_bytes <= WHOLE_BYTES),
        )
        for k, song in enumerate(longest_first)
    }
    run_tasks(
        (task for state in states.values() for task in state.first()),
        workers=workers,
        done=lambda task, result: states[task.given.name].took(task, result),
        lost=lambda task, why: states[task.given.name].lost(task, why),
    )


def run_song(song: SongJobs) -> list[Record]:
    """Do every job of a song here."""
    if song.is_stored:
        return _run_stored(song)
    records: list[Record] = []
    run_batch([song], workers=InThisProcess(), note=records.append)
    return records


def _run_stored(song: SongJobs) -> list[Record]:
    """The same in a folder of this machine, with what a store holds; a store that fails fails the
    song's jobs."""
    try:
        with working_folder() as folder:
            return _run_in(folder, song)
    except RetuneError as error:
        return song.failed(str(error))


def _run_in(folder: Path, song: SongJobs) -> list[Record]:
    job, sources = song.original, folder / "song"
    path = str(fetch_song(song.source, sources)) if song.source else job.song
    out = str(folder / "out") if song.target else job.out
    here = SongJobs(
        replace(job, song=path, out=out),
        tuple(replace(variant, song=path, out=out) for variant in song.variants),
    )
    places = {sources: song.source.rpartition("/")[0], folder / "out": song.target}
    if not song.target:
        return [told(record, places) for record in run_song(here)]
    target = below(song.target, job.name)
    noted_as = target if song.is_remembered else ""
    versions = (ORIGINAL, *(variant.variant for variant in song.variants))
    with sent_back(target, folder / "out" / job.name, versions=versions, noted_as=noted_as):
        records = run_song(here)
    return [told(record, places) for record in records]


@dataclass
class _State:
    """How far a song is."""

    song: SongJobs
    note: Callable[[Record], None]
    is_whole: bool = False
    """Whether it is one task."""
    heard: Heard | None = None
    written: Record | None = None

    def first(self) -> list[Task]:
        if self.is_whole:
            return [Task(f"{self.song.name} whole", run_song, self.song)]
        job = self.song.original
        hearing = Hearing(
            song=job.song,
            name=job.name,
            jobs=self.song.variants,
            tracker=job.tracker,
            use_cache=job.use_cache,
            resume=job.resume,
        )
        return [Task(f"{job.name} heard", run_hearing, hearing), _task(job)]

    def took(self, task: Task, result: Record | Heard | list[Record]) -> Iterable[Task]:
        """Note a result; the variants, once what they need is there."""
        if isinstance(result, list):
            for record in result:
                self.note(record)
            return []
        if isinstance(result, Heard):
            self.heard = result
        elif task.given.variant == ORIGINAL:
            self.written = result
        else:
            self.note(result)
            return []
        if self.heard is None or self.written is None:
            return []
        heard, written, self.heard, self.written = self.heard, self.written, None, None
        return self._variants(heard, written)

    def lost(self, task: Task, why: str) -> Iterable[Task]:
        if isinstance(task.given, SongJobs) and task.given.is_stored:
            return self.took(task, task.given.failed(why))
        if isinstance(task.given, SongJobs):
            # One of its jobs took the worker with it: apart, that one fails alone.
            self.is_whole = False
            return self.first()
        if isinstance(task.given, Hearing):
            return self.took(task, Heard(error=why))
        return self.took(task, failed(task.given.name, task.given.variant, why))

    def _variants(self, heard: Heard, written: Record) -> list[Task]:
        error = heard.error or written["error"]
        record = written | {"seconds": round(heard.seconds + written["seconds"], 3)}
        if error:
            where = heard.traceback if heard.error else written.get("traceback", "")
            record |= {"state": "failed", "error": error, "traceback": where}
        self.note(record)
        if error:
            for job in self.song.variants:
                self.note(failed(job.name, job.variant, f"not tried: {error}"))
            return []
        return [_task(replace(job, known=heard.known)) for job in self.song.variants]


def _task(job: Job) -> Task:
    return Task(job.title, run_job, job)
