"""Thousands of jobs listed, given out and reported by the main process, without the work: little
time a job, and memory that does not grow with their number."""

from __future__ import annotations

import csv
import os
import re
import time
import tracemalloc
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from retune.faces import batch
from retune.faces.batch_tally import Tally
from retune.faces.cli import main
from retune.pipeline.batch_tasks import SongJobs
from retune.pipeline.jobs import Heard, Hearing, Job
from retune.pipeline.records import Record
from retune.pipeline.workers import InThisProcess, Task

N_VARIANTS = 4
N_SONGS = 2_000 if os.environ.get("RETUNE_FULL_SIZE") == "1" else 100
JOB_S = 0.9  # a variant of a song of three minutes: retune help batch
SONG = """format = 1
[stems.vocal]
file = "vocal.wav"
role = "melody"
[music]
key = "C major"
"""


class Pretended(InThisProcess):
    """Workers that have done every job as soon as they get it."""

    def submit(self, task: Task) -> Future[Any]:
        return super().submit(replace(task, run=self.answer))

    def answer(self, given: SongJobs | Job | Hearing) -> list[Record] | Record | Heard:
        """What a whole song, one job of it, or hearing it gives."""
        if isinstance(given, SongJobs):
            jobs = (given.original, *given.variants)
            return [record(job.name, job.variant) for job in jobs]
        return record(given.name, given.variant) if isinstance(given, Job) else Heard()

    def width(self) -> int:
        return 16


def record(song: str, variant: str, state: str = "done") -> Record:
    """As long as that of a song of seven stems."""
    digest = "0123456789abcdef" * 4
    told: Record = {
        "song": song,
        "variant": variant,
        "state": state,
        "error": "",
        "seconds": JOB_S,
        "warnings": [f"the tonic is heard before the last phrase, in bar {k}" for k in range(4)],
        "outputs": {f"stem{k}.wav": digest for k in range(8)},
        "inputs": {f"stem{k}.wav": digest for k in range(7)},
    }  # type: ignore[typeddict-item]
    return told


@pytest.mark.slow
def test_ten_thousand_jobs_cost_the_main_process_next_to_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rules = 'rules = ["move phrase-ending degree 2 to degree 1"]'
    variants = "".join(f"[variants.v{k}]\n{rules}\n" for k in range(N_VARIANTS))
    songs = [tmp_path / f"song{k:05d}" / "song.toml" for k in range(N_SONGS)]
    for song in songs:
        song.parent.mkdir()
        song.write_text(SONG + variants, encoding="utf-8")
        (song.parent / "vocal.wav").touch()  # a worker would read it
    monkeypatch.setattr(batch, "workers_of", lambda arguments: Pretended())
    out, report = tmp_path / "out", tmp_path / "report"
    began = time.process_time()
    words = ["batch", *map(str, songs), "--out", str(out), "--report", str(report), "--quiet"]
    assert main(words) == 0
    spent_s = time.process_time() - began
    n_jobs = N_SONGS * (N_VARIANTS + 1)
    assert spent_s < 0.05 * JOB_S * n_jobs
    with open(out / "batch.csv", encoding="utf-8", newline="") as stream:
        assert sum(row["state"] == "done" for row in csv.DictReader(stream)) == n_jobs
    page = (report / "index.html").read_text(encoding="utf-8")
    assert len(re.findall(r"<tr><td>song", page)) == N_SONGS * N_VARIANTS


def test_records_need_no_memory_to_speak_of() -> None:
    tally = Tally()
    tally.add(record("warm", "a"))
    tracemalloc.start()
    for k in range(1_000):
        tally.add(record(f"song{k}", "a"))
    grown = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    assert grown < 600 * 1_000  # a record as a dict: about 4 000 bytes
    assert len(list(tally.in_order())) == 1_001


def test_records_come_back_as_they_were_with_no_room_on_the_disk(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    class Full:
        def seek(self, *at: int) -> int:
            return 0

        def write(self, text: bytes) -> int:
            raise OSError(28, "No space left on device")

    tally = Tally()
    tally.add(record("b", "a"))
    monkeypatch.setattr(tally, "_store", Full(), raising=True)
    tally.add(record("a", "a", state="failed"))
    tally.add(record("a", "a", state="skipped"))
    monkeypatch.undo()
    assert [(row["song"], row["state"]) for row in tally.in_order()] == [
        ("a", "skipped"),
        ("b", "done"),
    ]
    assert (tally.count("failed"), tally.count("skipped"), len(tally)) == (0, 1, 2)


def test_the_pace_begins_with_the_first_job_that_is_worked_on() -> None:
    tally = Tally()
    tally.began -= 600  # ten minutes of skipping
    tally.add(record("a", "a", state="skipped"))
    assert tally.work_began is None
    tally.add(record("b", "a"))
    assert tally.work_began is not None
    assert time.monotonic() - tally.work_began < JOB_S + 60
