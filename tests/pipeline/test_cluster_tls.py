"""A cluster that is encrypted and open only to whoever holds a certificate of its own authority."""

from __future__ import annotations

import logging
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent / "bad_input"))

from hostile_songs import seen, write_song

from retune.faces.cli import main
from retune.pipeline import cluster

pytest.importorskip("distributed", reason="needs the extra retune[dask]")

ROLES = ("client", "scheduler", "worker")


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The files of two authorities, ours and a stranger's."""
    from distributed.security import Security

    found = {}
    for name in ("ours", "strange"):
        folder = found[name] = tmp_path_factory.mktemp(name)
        made = Security.temporary()
        (folder / "ca.pem").write_text(made.tls_ca_file)
        (folder / "own.pem").write_text(made.tls_client_key + made.tls_client_cert)
    return found


@contextmanager
def configured(folder: Path) -> Iterator[None]:
    """As Dask's own configuration file sets it; see "A lab's cluster" in `retune help batch`."""
    import dask

    own = str(folder / "own.pem")
    pairs = {
        f"distributed.comm.tls.{role}.{kind}": own for role in ROLES for kind in ("key", "cert")
    }
    authority = {"distributed.comm.tls.ca-file": str(folder / "ca.pem")}
    encrypted = {"distributed.comm.require-encryption": True}
    with dask.config.set({**authority, **pairs, **encrypted}):
        yield


@pytest.fixture(scope="module")
def address(certificates: dict[str, Path]) -> Iterator[str]:
    """A scheduler and a worker that speak TLS alone."""
    from distributed import LocalCluster

    with configured(certificates["ours"]):
        options: dict[str, Any] = {"processes": False, "dashboard_address": None}
        workers = LocalCluster(
            n_workers=1, threads_per_worker=1, host="127.0.0.1", protocol="tls://", **options
        )
    with workers:
        yield workers.scheduler_address


def test_a_batch_over_tls_gives_the_same_files_and_leaves_the_cluster(
    address: str, certificates: dict[str, Path], tmp_path: Path
) -> None:
    from distributed import Client

    song = str(write_song(tmp_path / "song"))
    with configured(certificates["ours"]):
        assert address.startswith("tls://")
        words = ["--dask", address, "--quiet"]
        assert main(["batch", song, "--out", str(tmp_path / "there"), *words]) == 0
    assert not [client for client in Client._instances if client.status != "closed"]
    assert main(["batch", song, "--out", str(tmp_path / "here"), "--quiet"]) == 0
    here, there = (seen(tmp_path / name / "song") for name in ("here", "there"))
    assert here == there
    assert "home/vocal.wav" in here


def refusal(song: Path, address: str, capsys: pytest.CaptureFixture[str]) -> str:
    out = song.parent / "out"
    assert main(["batch", str(song), "--out", str(out), "--dask", address]) == 2
    assert not out.exists()
    words = capsys.readouterr().err
    assert words.count("\n") == 1
    assert "unexpected" not in words
    return words


@pytest.fixture
def song(tmp_path: Path) -> Path:
    return write_song(tmp_path)


@pytest.mark.filterwarnings("ignore:.*TLS.*")
def test_whoever_has_no_certificate_of_this_cluster_is_kept_out(
    address: str, certificates: dict[str, Path], song: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with configured(certificates["strange"]):
        assert "certificate" in refusal(song, address, capsys)
    assert "the certificates for it are not set" in refusal(song, address, capsys)


def test_nothing_goes_unencrypted_where_dask_is_told_so(
    address: str, certificates: dict[str, Path], song: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plain = address.replace("tls:", "tcp:")
    with configured(certificates["ours"]):
        assert "encryption required" in refusal(song, plain, capsys)
    assert "no scheduler answers there" in refusal(song, plain, capsys)


@pytest.mark.parametrize(
    ("address", "host", "is_told"),
    [
        ("tcp://127.0.0.1:1", "127.0.0.1", False),
        ("tcp://[::1]:1", "::1", False),
        ("tls://192.0.2.1:1", "192.0.2.1", False),
        ("tcp://192.0.2.1:1", "192.0.2.1", True),
    ],
)
def test_a_cluster_open_to_a_network_is_warned_of(
    address: str, host: str, is_told: bool, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.WARNING):
        cluster._warn_of_the_open(address, host)
    assert ("may run programs as you" in caplog.text) == is_told
