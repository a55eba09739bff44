"""A disk that fills up in the middle of a batch: told by name, nothing half-written, mended by
`--resume` once there is room."""

from __future__ import annotations

import json
import resource
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from test_batch import batch, bytes_below, make_song, rows

from retune.sound.files import sha256_file

VARIANTS = "".join(
    f'[variants.v{k}]\nrules = ["shift every note down {k} semitones"]\n' for k in (1, 2, 3)
)


@pytest.fixture(scope="module")
def song(tmp_path_factory: pytest.TempPathFactory) -> str:
    root = tmp_path_factory.mktemp("disk")
    (root / "variants.toml").write_text(f"format = 1\n{VARIANTS}", encoding="utf-8")
    return str(make_song(root / "take1", 1))


def check_whole(out: Path) -> None:
    """What is there is whole: every output of every manifest, and no file that was begun."""
    for path in out.glob("*/*/manifest.json"):
        outputs = json.loads(path.read_text(encoding="utf-8"))["outputs"]
        assert all(sha256_file(path.parent / name) == digest for name, digest in outputs.items())
    assert not list(out.rglob("*.tmp"))
    assert not list(out.rglob("*.part"))


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of its own with room for the unaltered files and one variant."""
    place = tmp_path / "small"
    place.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", "size=3300k", "tmpfs", str(place)]
    if subprocess.run(words, capture_output=True, check=False).returncode:
        pytest.skip("a small file system can be mounted by root only")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


@pytest.mark.slow
@pytest.mark.parametrize("jobs", ["1", "2"])
def test_a_full_disk_is_told_and_mended(
    song: str, small_disk: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], jobs: str
) -> None:
    out = small_disk / "out"
    assert batch([song], out, "--jobs", jobs) == 1
    state = {row["variant"]: row["state"] for row in rows(out)}
    failed = [row for row in rows(out) if row["state"] == "failed"]
    assert state["original"] == "done"
    assert failed
    assert all("the disk is full; free some space" in row["error"] for row in failed)
    told = capsys.readouterr().err
    assert all(f"retune: error: take1/{row['variant']}: cannot write" in told for row in failed)
    check_whole(out)
    subprocess.run(["mount", "-o", "remount,size=40m", str(small_disk)], check=True)
    assert batch([song], out, "--resume", "--jobs", jobs) == 0
    after = {row["variant"]: row["state"] for row in rows(out)}
    skipped = {name for name, one in after.items() if one == "skipped"}
    assert skipped == {name for name, one in state.items() if one == "done"}
    assert batch([song], tmp_path / "roomy") == 0
    assert bytes_below(out) == bytes_below(tmp_path / "roomy")


def test_a_file_too_large_for_the_disk_fails_its_job_only(
    song: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The mix alone is over the limit, so every job fails, by name, and leaves no piece."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    before = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (600_000, hard))
    try:
        assert batch([song], tmp_path / "out") == 1
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, before)
    told = capsys.readouterr().err
    assert "retune: error: take1/original: cannot write" in told
    assert "cannot hold a file of that size" in told
    assert "take1/v1: not tried: " in told
    check_whole(tmp_path / "out")
