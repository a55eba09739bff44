"""Songs times variants: what is heard and hashed once, and what a lost song takes with it."""

from __future__ import annotations

from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from retune.pipeline import inputs, song_analysis, stages
from retune.pipeline.batch_tasks import Record, SongJobs, run_batch
from retune.pipeline.demo import demo_folder
from retune.pipeline.jobs import Job
from retune.pipeline.workers import InThisProcess, Task
from retune.song.songfile import read_song
from retune.sound.files import sha256_file

RULES = {
    "home": "move phrase-ending degree 2 to degree 1",
    "low": "shift every note down 1 semitone",
}


class Strangers(InThisProcess):
    """Each task as in a process that has seen none of the others."""

    def __init__(self) -> None:
        self.titles: list[str] = []

    def submit(self, task: Task) -> Future[Any]:
        self.titles.append(task.title)
        stages._memory_over.cache_clear()
        inputs._digests.clear()
        inputs._told.clear()
        return super().submit(task)


def demo_jobs(out: Path, **more: Any) -> SongJobs:
    common: dict[str, Any] = {
        "song": str(demo_folder() / "song.toml"),
        "name": "lantern",
        "out": str(out),
        **more,
    }
    variants = [Job(variant=name, rules=(rule,), **common) for name, rule in RULES.items()]
    return SongJobs(Job(variant="original", rules=(), **common), tuple(variants))


@pytest.fixture
def counts(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> dict[str, int]:
    """How often a song is heard and a stem hashed, with a cache that is empty at first."""
    monkeypatch.setenv("RETUNE_CACHE", str(tmp_path / "cache"))
    counted = {"heard": 0, "hashed": 0}
    hear, sha256 = song_analysis._hear, inputs.sha256_file

    def hearing(*given: Any) -> Any:
        counted["heard"] += 1
        return hear(*given)

    def hashing(path: Path) -> str:
        counted["hashed"] += path.suffix == ".flac"
        return sha256(path)

    monkeypatch.setattr(song_analysis, "_hear", hearing)
    monkeypatch.setattr(inputs, "sha256_file", hashing)
    monkeypatch.setattr(inputs, "_SMALL_BYTES", 0)
    return counted


def states(records: list[Record]) -> dict[str, str]:
    return {record["variant"]: record["state"] for record in records}


@pytest.mark.slow
def test_a_song_is_heard_once_for_all_its_jobs_wherever_they_run(
    tmp_path: Path, counts: dict[str, int]
) -> None:
    records: list[Record] = []
    workers = Strangers()
    jobs = demo_jobs(tmp_path / "out")
    run_batch([jobs], workers=workers, note=records.append)
    assert states(records) == {"original": "done", "home": "done", "low": "done"}
    assert workers.titles == ["lantern heard", "lantern/original", "lantern/home", "lantern/low"]
    n_stems = len(read_song(jobs.original.song).stems)
    # The hearing and the unaltered files each hash the stems, side by side; variants take theirs.
    assert counts == {"heard": 1, "hashed": 2 * n_stems}

    records.clear()
    again = demo_jobs(tmp_path / "out", resume=True)
    run_batch([again], workers=Strangers(), note=records.append)
    assert set(states(records).values()) == {"skipped"}
    assert counts["heard"] == 1


def test_a_song_that_cannot_be_heard_fails_with_its_variants_and_no_other(tmp_path: Path) -> None:
    def fail(number: int) -> SongJobs:
        jobs = demo_jobs(tmp_path, song=str(tmp_path / f"none{number}.toml"))
        named = [replace(job, name=f"song{number}") for job in (jobs.original, *jobs.variants)]
        return SongJobs(named[0], tuple(named[1:]), size_bytes=number)

    records: list[Record] = []
    workers = Strangers()
    run_batch([fail(1), fail(2)], workers=workers, note=records.append)
    assert [r["song"] for r in records] == ["song2"] * 3 + ["song1"] * 3
    assert {r["state"] for r in records} == {"failed"}
    assert "none2.toml" in records[0]["error"]
    assert records[1]["error"] == f"not tried: {records[0]['error']}"


class Several(Strangers):
    """As if two ran side by side; a whole song takes its worker with it where `dies`."""

    def __init__(self, *, dies: bool = False) -> None:
        super().__init__()
        self.dies = dies

    def width(self) -> int:
        return 4

    def submit(self, task: Task) -> Future[Any]:
        if not (self.dies and task.title.endswith(" whole")):
            return super().submit(task)
        self.titles.append(task.title)
        raise RuntimeError("gone")


@pytest.mark.parametrize("dies", [False, True])
def test_of_many_songs_all_but_the_last_are_one_task_until_one_is_lost(
    tmp_path: Path, dies: bool
) -> None:
    def fail(number: int) -> SongJobs:
        jobs = demo_jobs(tmp_path, song=str(tmp_path / f"none{number}.toml"))
        named = [replace(job, name=f"song{number}") for job in (jobs.original, *jobs.variants)]
        return SongJobs(named[0], tuple(named[1:]), size_bytes=number)

    records: list[Record] = []
    workers = Several(dies=dies)
    run_batch([fail(k) for k in range(1, 5)], workers=workers, note=records.append)
    assert len(records) == 4 * 3
    assert all(f"none{r['song'][-1]}.toml" in r["error"] for r in records)
    apart = [f"song{k} {what}" for k in (2, 1) for what in ("heard", "original")]
    assert [t for t in workers.titles if t.endswith(" whole")] == ["song4 whole", "song3 whole"]
    others = [t.replace("/", " ") for t in workers.titles if not t.endswith(" whole")]
    assert sorted(others) == sorted(
        [*apart, *(f"song{k} {what}" for k in (3, 4) for what in ("heard", "original") if dies)]
    )


def test_a_song_that_takes_long_is_not_one_task(tmp_path: Path) -> None:
    jobs = demo_jobs(tmp_path, song=str(tmp_path / "none.toml"))
    long = replace(jobs, size_bytes=1 << 40)
    others = [
        replace(jobs, original=replace(jobs.original, name=f"song{k}"), variants=(), size_bytes=k)
        for k in range(1, 4)
    ]
    workers = Several()
    run_batch([long, *others], workers=workers, note=lambda record: None)
    assert workers.titles[0] == "lantern heard"
    assert "song3 whole" in workers.titles


def test_a_hash_made_elsewhere_counts_only_for_the_same_file() -> None:
    path = demo_folder() / "vocal.flac"
    size, *times, number = inputs.look_at(path)
    try:
        inputs.know_digest(path, look=(size, times[0], times[1] + 1, number), digest="0" * 64)
        assert inputs.digest_of(path) == sha256_file(path)
        inputs._digests.clear()
        inputs.know_digest(path, look=inputs.look_at(path), digest="0" * 64)
        assert inputs.digest_of(path) == "0" * 64
    finally:
        inputs._told.clear()
        inputs._digests.clear()
