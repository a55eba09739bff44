"""How fast is a batch? Prints the figures for this machine; ratios, not seconds, travel.

    python tests/bench/bench_batch.py [--minutes 3] [--variants 50] [--songs 1]
    python tests/bench/bench_batch.py --quick      # 6 short songs, 4 variants of each; no more

Makes invented songs of four stereo stems, then: their variants on one process and on two, in turn;
what scheduling costs beside jobs of a known cost; and the memory of a process on a long song.
Time on the wall depends on what else the machine does; processor time hardly does. So the figures
for free cores are worked out from it: what the process that gives out the work needs counts whole,
its workers' is halved.
"""

from __future__ import annotations

import argparse
import itertools
import json
import multiprocessing
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import psutil
import soundfile

from retune.pipeline.workers import LocalProcesses, Task, run_tasks

RATE_HZ = 44_100
SONG = """format = 1
title = "Lantern Song, long"
[stems.vocal]
file = "vocal.wav"
role = "melody"
[stems.bass]
file = "bass.wav"
role = "bass"
[stems.harp]
file = "harp.wav"
role = "backing"
[stems.brushes]
file = "brushes.wav"
role = "unpitched"
[music]
key = "C major"
meter = "3/4"
tempo_bpm = 92.0
first_downbeat_s = 0.0
phrases = "every 4 bars"
"""


def tone(midi: float, seconds: float, rate_hz: int = RATE_HZ) -> np.ndarray:
    t = np.arange(int(seconds * rate_hz)) / rate_hz
    hz = 440 * 2 ** ((midi - 69) / 12)
    body = sum(np.sin(2 * np.pi * k * hz * t) / k for k in range(1, 8))
    return 0.1 * body * np.minimum(1, np.minimum(t, t[::-1]) / 0.03)


def make_song(folder: Path, minutes: float, number: int = 0) -> Path:
    """Four stereo stems of an invented scale song, each `number` at a pitch of its own: of equal
    songs all but the first would be recalled."""
    folder.mkdir(parents=True, exist_ok=True)
    beat = 60 / 92
    n_beats = int(minutes * 92)
    scale = [60, 62, 64, 65, 67, 65, 64, 62, 60, 64, 62, 62]
    rng = np.random.default_rng(number)
    above = 0.003 * number
    lines = {
        "vocal": np.concatenate([tone(scale[k % 12] + above, beat) for k in range(n_beats)]),
        "bass": np.concatenate([tone(36 + 5 * (k % 2), 3 * beat) for k in range(n_beats // 3)]),
        "harp": np.concatenate([tone(48 + 7 * (k % 3), beat) for k in range(n_beats)]),
    }
    length = max(map(len, lines.values()))
    lines["brushes"] = 0.01 * rng.standard_normal(length)
    for name, mono in lines.items():
        padded = np.pad(mono, (0, length - len(mono)))
        soundfile.write(folder / f"{name}.wav", np.stack([padded, padded], 1), RATE_HZ, "PCM_24")
    (folder / "song.toml").write_text(SONG, encoding="utf-8")
    return folder / "song.toml"


def write_variants(path: Path, count: int) -> None:
    """Variants that each move other phrase endings."""
    lines = ["format = 1"]
    for k in range(count):
        degree = 1 + k % 7
        lines.append(
            f'[variants.v{k:02d}]\nrules = ["move phrase-ending note to degree {degree} '
            f'in phrases {1 + k % 5}-{6 + k % 7}"]'
        )
    path.write_text("\n".join(lines), encoding="utf-8")


@dataclass(frozen=True)
class Figures:
    """What one batch cost, as a whole process with its workers."""

    wall_s: float
    cpu_s: float
    peak_mb: float
    main_cpu_s: float
    """That of the process alone, without its workers: what more of them do not shorten."""
    first_s: float
    """Until the first variant began."""


def run(songs: Sequence[Path], variants: Path, out: Path, *, jobs: int = 1) -> Figures:
    """A batch in a process of its own; `peak_mb` is that process's, without its workers."""
    words = ["batch", *map(str, songs), "--variants", str(variants), "--out", str(out), "--quiet"]
    code = (
        "import resource, sys; from retune.faces.cli import main; code = main(sys.argv[1:]);"
        "own = resource.getrusage(resource.RUSAGE_SELF);"
        "print(own.ru_maxrss, own.ru_utime + own.ru_stime); sys.exit(code)"
    )
    began, before = time.perf_counter(), cpu_of_children()
    line = [sys.executable, "-W", "ignore", "-c", code, *words, "--jobs", str(jobs)]
    ended = subprocess.run(line, stdout=subprocess.PIPE, text=True)
    if ended.returncode:
        sys.exit(f"the batch ended with {ended.returncode}")
    wall_s, cpu_s = time.perf_counter() - began, cpu_of_children() - before
    peak_kb, main_cpu_s = map(float, ended.stdout.split())
    return Figures(wall_s, cpu_s, peak_kb / 1024, main_cpu_s, first_variant_s(out / "batch.json"))


def cpu_of_children() -> float:
    usage = resource.getrusage(resource.RUSAGE_CHILDREN)
    return usage.ru_utime + usage.ru_stime


def first_variant_s(records: Path) -> float:
    """When the first variant began."""
    rows = [r for r in json.loads(records.read_text()) if r["variant"] != "original"]
    return min(max(r["ended_s"] - r["seconds"], 0.0) for r in rows)


def busy(seconds: float) -> None:
    """Work of a known cost: processor time, not time on the wall."""
    end = time.thread_time() + seconds
    while time.thread_time() < end:
        pass


def overhead(job_s: float, count: int) -> float:
    """Processor time of the scheduler and one worker beyond the work, as a share of the work."""
    workers = LocalProcesses(2)
    tasks = [Task(f"warm {k}", busy, 0.1) for k in range(4)]
    tasks += [Task(f"job {k}", busy, job_s) for k in range(count)]
    spent: list[float] = []

    def done(task: Task, result: object) -> tuple[Task, ...]:
        spent.append(cpu_of_tree())
        return ()

    run_tasks(tasks, workers=workers, done=done, lost=lambda task, why: sys.exit(why))
    workers.stop()
    return (spent[-1] - spent[3]) / (job_s * count) - 1


def cpu_of_tree(pid: int | None = None) -> float:
    """Processor time so far of a process (this one) and its living children."""
    spent = 0.0
    with suppress(psutil.Error):
        top = psutil.Process(pid)
        for process in (top, *top.children(recursive=True)):
            spent += sum(process.cpu_times()[:2])
    return spent


def made_apart(folder: Path, minutes: float, number: int = 0) -> Path:
    """`make_song` in a process of its own: a child is charged with the memory that its parent
    held when it was started."""
    spawn = multiprocessing.get_context("spawn")
    maker = spawn.Process(target=make_song, args=(folder, minutes, number))
    maker.start()
    maker.join()
    return folder / "song.toml"


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--minutes", type=float, default=3.0)
    options.add_argument("--variants", type=int, default=50)
    options.add_argument("--turns", type=int, default=2, help="runs of each, in turn")
    options.add_argument("--long-minutes", type=float, default=10.0)
    options.add_argument("--songs", type=int, default=1)
    options.add_argument("--quick", action="store_true", help="short songs, the ratio alone")
    given = options.parse_args()
    if given.quick:
        given.minutes, given.variants, given.turns, given.songs = 0.3, 4, 1, 6
    with tempfile.TemporaryDirectory() as scratch:
        root = Path(scratch)
        os.environ["RETUNE_CACHE"] = str(root / "cache")
        songs = [made_apart(root / f"song{k}", given.minutes, k) for k in range(given.songs)]
        few, many = root / "few.toml", root / "many.toml"
        write_variants(few, 1)
        write_variants(many, given.variants)
        run(songs[:1], few, root / "warm")  # compiles
        print(
            f"{given.songs} song(s) of {given.minutes:g} min, four stereo stems, "
            f"{given.variants} variants"
        )
        print("processes   wall s   processor s   of it the first process s")
        best: dict[int, Figures] = {}
        for turn, jobs in itertools.product(range(given.turns), (1, 2)):
            shutil.rmtree(root / "cache", ignore_errors=True)  # each hears the songs itself
            figures = run(songs, many, root / f"out{turn}{jobs}", jobs=jobs)
            shutil.rmtree(root / f"out{turn}{jobs}")
            print(
                f"{jobs:9d}{figures.wall_s:9.1f}{figures.cpu_s:14.1f}{figures.main_cpu_s:16.1f}",
                flush=True,
            )
            if jobs not in best or figures.wall_s < best[jobs].wall_s:
                best[jobs] = figures
        one, two = best[1], best[2]
        work_s = given.minutes * 60 * given.variants * given.songs
        for jobs, figures in best.items():
            speed = work_s / (figures.wall_s - figures.first_s)
            print(
                f"{jobs} process(es): {speed:.0f} x real time once the first song is heard, as the "
                f"machine is loaded"
            )
        print(f"two against one: {one.wall_s / two.wall_s:.2f} x on this machine as it is loaded")
        print(f"two need {100 * (two.cpu_s / one.cpu_s - 1):.1f} % more processor time than one")
        free_s = two.main_cpu_s + (two.cpu_s - two.main_cpu_s) / 2
        print(f"so on two free cores {one.cpu_s / free_s:.2f} x")
        if given.quick:
            return
        for job_s in (0.05, 1.0):
            share = overhead(job_s, round(8 / job_s) if job_s < 1 else 16)
            print(f"scheduling of jobs of {job_s:g} s: {100 * share:.1f} % of processor time more")
        long = made_apart(root / "long", given.long_minutes)
        peak_mb = run([long], few, root / "longout").peak_mb
        print(f"one process on {given.long_minutes:g} min: {peak_mb:.0f} MB at most")


if __name__ == "__main__":
    main()
