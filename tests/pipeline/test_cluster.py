"""What becomes of tasks when the scheduler of a Dask cluster goes."""

from __future__ import annotations

from concurrent.futures import Future
from typing import Any

import pytest

from retune.pipeline import cluster
from retune.pipeline.workers import Task

ADDRESS = "tcp://127.0.0.1:8786"


class Client:
    """A Dask client, as far as we use one, and its own executor."""

    def __init__(self, *args: object, **options: object) -> None:
        self.status = "running"
        self.sent: list[Future[Any]] = []

    def get_executor(self, **options: object) -> Client:
        return self

    def submit(self, run: object, given: object) -> Future[Any]:
        self.sent.append(Future())
        return self.sent[-1]


@pytest.fixture
def workers(monkeypatch: pytest.MonkeyPatch) -> cluster.DaskCluster:
    distributed = pytest.importorskip("distributed", reason="needs the extra retune[dask]")
    monkeypatch.setattr(distributed, "Client", Client)
    monkeypatch.setattr(cluster, "_knock", lambda address: None)
    return cluster.DaskCluster(ADDRESS)


def test_a_task_that_dask_cancels_went_with_its_scheduler(workers: cluster.DaskCluster) -> None:
    """A client that gives up may cancel before it says that it is closed."""
    told = workers.submit(Task("one", abs, -1))
    assert workers.client.sent[0].cancel()
    with pytest.raises(ConnectionError, match=f"{ADDRESS} is gone; start it and run again"):
        told.result(timeout=5)


def test_a_task_under_way_ends_when_the_client_closes(workers: cluster.DaskCluster) -> None:
    told = workers.submit(Task("one", abs, -1))
    workers.client.status = "closed"
    with pytest.raises(ConnectionError, match="is gone"):
        told.result(timeout=5)


def test_results_and_faults_are_handed_on(workers: cluster.DaskCluster) -> None:
    good, bad = (workers.submit(Task(name, abs, -1)) for name in ("good", "bad"))
    workers.client.sent[0].set_result(1)
    workers.client.sent[1].set_exception(ValueError("no good"))
    assert good.result(timeout=5) == 1
    with pytest.raises(ValueError, match="no good"):
        bad.result(timeout=5)
