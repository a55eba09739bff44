"""Batches: same bytes whatever runs them, and never more lost than one job."""

from __future__ import annotations

import csv
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
import soundfile

from retune.faces.cli import main
from retune.pipeline.workers import MARKS
from retune.sound.folders import sole_writer

RATE_HZ = 16_000
VARIANTS = """format = 1
[variants.home]
rules = ["move phrase-ending degree 2 to degree 1"]
[variants.up]
rules = ["move phrase-ending degree 2 to degree 3"]
[variants.low]
rules = ["shift every note down 1 semitones"]
"""
SONG = """format = 1
title = "Lantern Song, take {take}"
rights = "CC0 1.0, invented for retune"
[stems.vocal]
file = "vocal.wav"
role = "melody"
[stems.harp]
file = "harp.wav"
role = "backing"
[music]
key = "C major"
meter = "3/4"
tempo_bpm = 90.0
first_downbeat_s = 0.0
chords = "C | F | G | C"
phrases = "every 2 bars"
"""


def tone(midi: float, seconds: float) -> np.ndarray:
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    hz = 440 * 2 ** ((midi - 69) / 12)
    body = sum(np.sin(2 * np.pi * k * hz * t) / k for k in range(1, 8))
    fade = np.minimum(1, np.minimum(t, t[::-1]) / 0.03)
    return 0.15 * body * fade


def make_song(folder: Path, take: int) -> Path:
    """Four bars of invented melody, each take on slightly other pitches."""
    folder.mkdir(parents=True)
    beat = 60 / 90
    line = [60, 64, 67, 65, 64, 62, 67, 65, 64, 62, 60]
    beats = [1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 2]
    vocal = np.concatenate(
        [tone(m + 0.01 * take, b * beat) for m, b in zip(line, beats, strict=True)]
    )
    harp = np.concatenate([tone(m, 3 * beat) for m in (48, 53, 55, 48)])[: len(vocal)]
    soundfile.write(folder / "vocal.wav", vocal, RATE_HZ, subtype="PCM_16")
    soundfile.write(folder / "harp.wav", np.stack([harp, harp], 1), RATE_HZ, subtype="PCM_16")
    (folder / "song.toml").write_text(SONG.format(take=take), encoding="utf-8")
    return folder / "song.toml"


@pytest.fixture(scope="module")
def songs(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    root = tmp_path_factory.mktemp("songs")
    (root / "variants.toml").write_text(VARIANTS, encoding="utf-8")
    return [str(make_song(root / f"take{take}", take)) for take in range(1, 4)]


def batch(songs: list[str], out: Path, *more: str) -> int:
    variants = str(Path(songs[0]).parent.parent / "variants.toml")
    return main(["batch", *songs, "--variants", variants, "--out", str(out), "--quiet", *more])


def bytes_below(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.parent != folder
    }


@pytest.fixture(scope="module")
def undisturbed(songs: list[str], tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("undisturbed")
    assert batch(songs, out) == 0
    return out


def rows(out: Path) -> list[dict[str, str]]:
    with open(out / "batch.csv", encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_every_variant_of_every_song_is_made(undisturbed: Path) -> None:
    table = rows(undisturbed)
    assert len(table) == 3 * 4
    assert {row["state"] for row in table} == {"done"}
    made = {f"{row['song']}/{row['variant']}" for row in table}
    assert "take2/home" in made
    for row in table:
        names = {p.name for p in (undisturbed / row["song"] / row["variant"]).glob("*.wav")}
        assert names == {"vocal.wav", "harp.wav", "mix.wav"}
    records = json.loads((undisturbed / "batch.json").read_text(encoding="utf-8"))
    assert {record["edits"] for record in records if record["variant"] == "home"} == {1}
    assert {path.name for path in undisturbed.iterdir()} == {
        *("batch.csv", "batch.json"),
        *(row["song"] for row in table),
    }


def test_two_processes_give_the_same_bytes(
    songs: list[str], undisturbed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("retune.faces.batch.SHORT_BYTES", 0)
    assert batch(songs, tmp_path, "--jobs", "2") == 0
    assert bytes_below(tmp_path) == bytes_below(undisturbed)


def test_resume_skips_what_is_whole_and_mends_what_is_not(
    songs: list[str], undisturbed: Path, tmp_path: Path
) -> None:
    shutil.copytree(undisturbed, tmp_path / "out")
    out = tmp_path / "out"
    (out / "take1" / "home" / "mix.wav").write_bytes(b"broken")
    (out / "take2" / "up" / "manifest.json").unlink()
    assert batch(songs, out, "--resume") == 0
    state = {(row["song"], row["variant"]): row["state"] for row in rows(out)}
    assert [key for key, value in state.items() if value == "done"] == [
        ("take1", "home"),
        ("take2", "up"),
    ]
    kept = out / "take1" / "home" / "mix.kept-1.wav"
    assert kept.read_bytes() == b"broken"
    kept.unlink()
    assert bytes_below(out) == bytes_below(undisturbed)


@pytest.mark.parametrize("outputs", [[], {"mix.wav": "0"}, {"../x": "0"}, {"mix.wav": 1}, None])
def test_records_that_somebody_else_wrote_are_made_again(
    outputs: object, songs: list[str], undisturbed: Path, tmp_path: Path
) -> None:
    """Of the right address, which whoever has the song can tell, and of anything else; what they
    wrote is kept beside, since it may be the user's."""
    shutil.copytree(undisturbed / "take1", tmp_path / "take1")
    digests = json.loads((tmp_path / "take1" / "home" / "manifest.json").read_text("utf-8"))
    many = {"./" * number + "mix.wav": digests["outputs"]["mix.wav"] for number in range(2000)}
    for name, lie in {
        "home": {"levels": 1, "edits": [{}]},
        "up": {"verdicts": [1], "warnings": None},
        "low": {"outputs": many},
        "original": {"outputs": outputs},
    }.items():
        record = "original.json" if name == "original" else "manifest.json"
        path = tmp_path / "take1" / name / record
        path.write_text(json.dumps(json.loads(path.read_text("utf-8")) | lie), encoding="utf-8")
    assert batch(songs[:1], tmp_path, "--resume") == 0
    for kept in (tmp_path / "take1").rglob("*.kept-1.json"):
        kept.unlink()
    assert bytes_below(tmp_path / "take1") == bytes_below(undisturbed / "take1")


def test_a_rendition_that_was_edited_is_kept_beside_and_told(
    songs: list[str], undisturbed: Path, tmp_path: Path
) -> None:
    shutil.copytree(undisturbed, out := tmp_path / "out")
    edited = {}
    for version in ("home", "original"):
        mix = out / "take1" / version / "mix.wav"
        edited[version] = mix.read_bytes()[:-2] + b"\1\1"
        mix.write_bytes(edited[version])
    assert batch(songs, out, "--resume") == 0
    told = {(r["song"], r["variant"]): r["warnings"] for r in rows(out) if r["state"] == "done"}
    assert set(told) == {("take1", "home"), ("take1", "original")}
    for version, content in edited.items():
        assert "mix.wav was not as it was made: it is now mix.kept-1.wav" in told["take1", version]
        kept = out / "take1" / version / "mix.kept-1.wav"
        assert kept.read_bytes() == content
        kept.unlink()
    assert bytes_below(out) == bytes_below(undisturbed)


def test_an_unreadable_stem_fails_by_name_and_harms_no_other(
    songs: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(Path(songs[0]).parent, tmp_path / "bad")
    (tmp_path / "bad" / "vocal.wav").write_bytes(b"RIFF but no more")
    assert batch([*songs, str(tmp_path / "bad" / "song.toml")], tmp_path / "out") == 1
    table = rows(tmp_path / "out")
    failed = {row["variant"] for row in table if row["state"] == "failed"}
    assert failed == {"original", "home", "up", "low"}
    assert all(row["song"] == "bad" for row in table if row["state"] == "failed")
    assert "retune: error: bad/home: " in capsys.readouterr().err


def test_a_rule_that_does_not_read_fails_its_variant_only(
    songs: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = VARIANTS + '[variants.odd]\nrules = ["make it better"]\n'
    (tmp_path / "v.toml").write_text(text, encoding="utf-8")
    words = [
        "batch",
        songs[0],
        "--variants",
        str(tmp_path / "v.toml"),
        "--out",
        str(tmp_path / "o"),
    ]
    assert main([*words, "--quiet"]) == 1
    failed = [row["variant"] for row in rows(tmp_path / "o") if row["state"] == "failed"]
    assert failed == ["odd"]
    assert "take1/odd: say which notes, and where they go" in capsys.readouterr().err
    assert main([*words, "--quiet", "--resume"]) == 1
    state = {row["variant"]: row["state"] for row in rows(tmp_path / "o")}
    assert state == {"odd": "failed"} | dict.fromkeys(("home", "low", "original", "up"), "skipped")


def test_songs_of_one_name_get_folders_of_their_own(songs: list[str], tmp_path: Path) -> None:
    shutil.copytree(Path(songs[1]).parent, tmp_path / "other" / "take1")
    twin = str(tmp_path / "other" / "take1" / "song.toml")
    assert batch([songs[0], twin], tmp_path / "out") == 0
    assert {row["song"] for row in rows(tmp_path / "out")} == {"take1", "take1-2"}


def test_a_report_lists_every_rendition_and_its_endings(
    songs: list[str], undisturbed: Path, tmp_path: Path
) -> None:
    report = tmp_path / "report"
    assert batch(songs, tmp_path / "out", "--report", str(report)) == 0
    page = (report / "index.html").read_text(encoding="utf-8")
    assert page.count("<tr><td>") == 9
    assert 'data-sound="../out/take1/home/mix.wav"' in page
    told = re.sub(r"<[^>]+>", "", page)
    assert "phrase 1: 2 open → 1 partly at rest" in told
    with open(report / "endings.csv", encoding="utf-8", newline="") as stream:
        table = list(csv.DictReader(stream))
    assert len(table) == 3 * 3 * 2
    home = [row for row in table if row["variant"] == "home" and row["song"] == "take2"]
    assert [(row["degree"], row["moved"], row["to_degree"]) for row in home] == [
        ("2", "1", "1"),
        ("1", "0", ""),
    ]
    kept = {
        name: data
        for name, data in bytes_below(tmp_path / "out").items()
        if not name.endswith(("picture.svg", "endings.json"))
    }
    assert kept == bytes_below(undisturbed)


def test_a_report_escapes_what_it_shows() -> None:
    from retune.comparison.index_page import IndexRow, index_page

    row = IndexRow("<script>alert(1)</script>", 'a"b', "failed", error="<b>no</b>")
    page = "".join(index_page([row], title="<i>", told="1 rendition."))
    assert "<script>alert" not in page
    assert "&lt;b&gt;no&lt;/b&gt;" in page
    assert "<title>&lt;i&gt;</title>" in page


EVEN_SHORT = """import sys
import retune.faces.batch
from retune.faces.cli import main
retune.faces.batch.SHORT_BYTES = 0
sys.exit(main(sys.argv[1:]))"""
"""The command, with processes of its own even for a short batch."""


def command(songs: list[str], out: Path, *more: str) -> list[str]:
    variants = str(Path(songs[0]).parent.parent / "variants.toml")
    return [
        sys.executable,
        "-c",
        EVEN_SHORT,
        "batch",
        *songs,
        "--variants",
        variants,
        "--out",
        str(out),
        *more,
    ]


def marks_of(running: subprocess.Popen[bytes]) -> Iterator[Path]:
    """The files that tell what the workers of a batch are at."""
    return Path(tempfile.gettempdir()).glob(f"{MARKS}{running.pid}-*/*.txt")


def until(condition: object, seconds: float = 180.0) -> None:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if condition():  # type: ignore[operator]
            return
        time.sleep(0.02)
    raise AssertionError("waited too long")


def kill(running: subprocess.Popen[bytes]) -> None:
    """Kill a batch, and wait for its workers to end as they do by themselves: one still at work
    would leave its last, unfinished file behind those that clear up."""
    workers = set()
    for marker in marks_of(running):
        with suppress(OSError, ValueError, IndexError):
            workers.add(int(marker.read_text(encoding="utf-8").split()[0]))
    running.kill()
    running.wait()
    until(lambda: not any(map(is_running, workers - {running.pid})), 30)


def is_running(pid: int) -> bool:
    with suppress(OSError):
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    return False


@pytest.mark.slow
def test_a_killed_batch_goes_on_where_it_was(
    songs: list[str], undisturbed: Path, tmp_path: Path
) -> None:
    running = subprocess.Popen(command(songs, tmp_path, "--jobs", "2"), stderr=subprocess.DEVNULL)
    until(lambda: list(tmp_path.glob("*/*/manifest.json")))
    kill(running)
    assert batch(songs, tmp_path, "--resume", "--jobs", "2") == 0
    assert bytes_below(tmp_path) == bytes_below(undisturbed)


@pytest.mark.slow
def test_a_killed_worker_costs_no_other_job(
    songs: list[str], undisturbed: Path, tmp_path: Path
) -> None:
    running = subprocess.Popen(command(songs, tmp_path, "--jobs", "2"), stderr=subprocess.DEVNULL)
    until(lambda: list(tmp_path.glob("*/home/vocal.wav")))
    killed = False
    for marker in marks_of(running):
        worker = int(marker.read_text(encoding="utf-8").split()[0])
        if worker != running.pid:
            os.kill(worker, signal.SIGKILL)
            killed = True
            break
    assert running.wait(timeout=120) == 0
    assert killed
    assert bytes_below(tmp_path) == bytes_below(undisturbed)


@pytest.mark.slow
@pytest.mark.parametrize("ask", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_stops_soon_with_a_summary(songs: list[str], tmp_path: Path, ask: int) -> None:
    words = command(songs, tmp_path, "--jobs", "2")
    running = subprocess.Popen(words, stderr=subprocess.PIPE, text=True, start_new_session=True)
    until(lambda: list(tmp_path.glob("*/*/manifest.json")))
    # A terminal sends it to the workers too; they must neither stop by themselves nor be heard,
    # and a second one must not break off the summary.
    os.killpg(running.pid, ask)
    time.sleep(0.05)
    os.killpg(running.pid, ask)
    _, told = running.communicate(timeout=30)
    assert "Traceback" not in told
    assert running.returncode == 128 + ask
    assert "not begun (--resume goes on)" in told
    assert rows(tmp_path)
    assert not list(tmp_path.rglob("*.tmp"))
    assert not [path for path in tmp_path.iterdir() if path.name.startswith(".")]


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A Dask scheduler and two workers as processes of their own, bound to loopback."""
    pytest.importorskip("distributed", reason="needs the extra retune[dask]")
    file = tmp_path / "scheduler.json"
    local = ["--host", "127.0.0.1", "--dashboard-address", "127.0.0.1:0"]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    dask = [sys.executable, "-m", "distributed.cli"]
    started = [
        subprocess.Popen(
            [
                *dask[:2],
                "distributed.cli.dask_scheduler",
                "--port",
                "0",
                *local,
                "--scheduler-file",
                str(file),
            ],
            **quiet,
        )
    ]
    until(lambda: file.exists() and file.stat().st_size > 0)
    for name in ("one", "two"):
        started.append(
            subprocess.Popen(
                [
                    *dask[:2],
                    "distributed.cli.dask_worker",
                    "--scheduler-file",
                    str(file),
                    *local,
                    "--nthreads",
                    "1",
                    "--name",
                    name,
                    "--no-nanny",
                    "--local-directory",
                    str(tmp_path / name),
                ],
                **quiet,
            )
        )
    address = json.loads(file.read_text(encoding="utf-8"))["address"]
    yield address, started
    for process in started:
        process.kill()
        process.wait()


@pytest.mark.slow
def test_a_dask_cluster_gives_the_same_bytes_and_survives_a_worker(
    songs: list[str],
    undisturbed: Path,
    tmp_path: Path,
    cluster: tuple[str, list[subprocess.Popen[bytes]]],
) -> None:
    address, (_, *workers) = cluster
    out = tmp_path / "out"
    running = subprocess.Popen(command(songs, out, "--dask", address), stderr=subprocess.DEVNULL)
    until(lambda: list(out.glob("*/*/manifest.json")))
    workers[0].kill()
    assert running.wait(timeout=180) == 0
    assert bytes_below(out) == bytes_below(undisturbed)


@pytest.mark.slow
def test_a_scheduler_that_dies_ends_the_batch_with_a_summary(
    songs: list[str],
    undisturbed: Path,
    tmp_path: Path,
    cluster: tuple[str, list[subprocess.Popen[bytes]]],
) -> None:
    address, (scheduler, *workers) = cluster
    out = tmp_path / "out"
    words = command(songs, out, "--dask", address)
    running = subprocess.Popen(words, stderr=subprocess.PIPE, text=True)
    until(lambda: list(out.glob("*/*/manifest.json")))
    scheduler.kill()
    _, told = running.communicate(timeout=120)
    assert running.returncode == 1
    assert "unexpected" not in told
    errors = [r["error"] for r in rows(out)]
    assert any("is gone; start it and run again with --resume" in e for e in errors), errors
    assert len(rows(out)) == len(rows(undisturbed))
    # Workers end the song they are at, unfinished files and all, when nobody waits for it any more.
    for worker in workers:
        worker.kill()
        worker.wait()
    assert batch(songs, out, "--jobs", "1", "--resume") == 0
    assert bytes_below(out) == bytes_below(undisturbed)


@pytest.mark.parametrize(
    ("address", "message"),
    [
        ("nowhere", 'write the scheduler as "tcp://host:8786"'),
        ("tcp://127.0.0.1:port", 'write the scheduler as "tcp://host:8786"'),
        ("tcp://127.0.0.1:9", "no scheduler answers there"),
    ],
)
def test_a_cluster_that_does_not_answer_is_told(
    songs: list[str],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    address: str,
    message: str,
) -> None:
    pytest.importorskip("distributed", reason="needs the extra retune[dask]")
    assert batch(songs, tmp_path, "--dask", address) == 2
    assert f"--dask {address}: {message}" in capsys.readouterr().err


@pytest.mark.slow
def test_many_jobs_survive_a_kill_of_everything(tmp_path: Path) -> None:
    """12 songs (50 with RETUNE_FULL_SIZE=1) of 3 variants and their originals: the main process
    killed, resumed, then a worker killed; in the end the same bytes as an undisturbed run."""
    n_songs = 50 if os.environ.get("RETUNE_FULL_SIZE") == "1" else 12
    root = tmp_path / "songs"
    many = [str(make_song(root / f"take{take}", take)) for take in range(1, n_songs + 1)]
    (root / "variants.toml").write_text(VARIANTS, encoding="utf-8")
    assert batch(many, tmp_path / "calm", "--jobs", "2") == 0
    out = tmp_path / "rough"
    running = subprocess.Popen(command(many, out, "--jobs", "2"), stderr=subprocess.DEVNULL)
    until(lambda: len(list(out.glob("*/*/manifest.json"))) > n_songs // 3, 120)
    kill(running)
    running = subprocess.Popen(
        command(many, out, "--jobs", "2", "--resume"), stderr=subprocess.DEVNULL
    )
    until(lambda: len(list(out.glob("*/*/manifest.json"))) > n_songs, 120)
    killed = False
    while not killed and running.poll() is None:
        for marker in marks_of(running):
            try:
                worker = int(marker.read_text(encoding="utf-8").split()[0])
                os.kill(worker, signal.SIGKILL)
            except (OSError, ValueError, IndexError):
                continue
            killed = True
            break
    assert running.wait(timeout=240) == 0
    assert killed
    assert bytes_below(out) == bytes_below(tmp_path / "calm")
    assert len(rows(out)) == 4 * n_songs


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_a_received_folder_loses_nothing_of_the_users(tmp_path: Path, jobs: str) -> None:
    """Links in an output folder that lead to the user's own files, where a batch writes, marks
    what runs or clears up."""
    song = str(make_song(tmp_path / "songs" / "take1", 1))
    (tmp_path / "songs" / "variants.toml").write_text(VARIANTS, encoding="utf-8")
    mine, out = tmp_path / "notes", tmp_path / "out"
    mine.mkdir()
    (mine / "diary.txt").write_text("dear diary", encoding="utf-8")
    (mine / ".retune-0123456789abcdef.tmp").write_text("mine", encoding="utf-8")
    before = bytes_below(mine)
    out.mkdir()
    (out / ".running").symlink_to(mine)
    (out / "take1").mkdir()
    (out / "take1" / "home").symlink_to(mine)
    (out / "take1" / "original").mkdir()
    (out / "take1" / "original" / "vocal.wav").symlink_to(mine / "diary.txt")
    assert batch([song], out, "--jobs", jobs) == 1
    assert bytes_below(mine) == before
    assert (out / ".running").is_symlink()
    states = {row["variant"]: row["error"] for row in rows(out)}
    assert "vocal.wav is a symbolic link" in states["original"]


def test_a_list_of_the_users_named_as_that_of_endings_is_kept(tmp_path: Path) -> None:
    song = str(make_song(tmp_path / "songs" / "take1", 1))
    (tmp_path / "songs" / "variants.toml").write_text(VARIANTS, encoding="utf-8")
    mine = tmp_path / "out" / "take1" / "home" / "endings.json"
    mine.parent.mkdir(parents=True)
    mine.write_text('["my own"]', encoding="utf-8")
    assert batch([song], tmp_path / "out", "--report", str(tmp_path / "report")) == 1
    assert mine.read_text(encoding="utf-8") == '["my own"]'
    errors = {row["variant"]: row["error"] for row in rows(tmp_path / "out")}
    assert "endings.json is there and was not made by retune" in errors["home"]


def test_a_second_batch_into_one_folder_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    song = str(make_song(tmp_path / "songs" / "take1", 1))
    (tmp_path / "songs" / "variants.toml").write_text(VARIANTS, encoding="utf-8")
    with sole_writer(tmp_path / "out"):
        assert batch([song], tmp_path / "out") == 1
    assert "another run is writing to" in capsys.readouterr().err
    assert not list((tmp_path / "out").iterdir())
