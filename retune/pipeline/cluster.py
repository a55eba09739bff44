"""A Dask cluster as workers: only names and numbers cross to it, the stems lie on storage that
every machine sees at the same path."""

from __future__ import annotations

import logging
import socket
import time
from collections.abc import Sequence
from concurrent.futures import CancelledError, Future
from contextlib import suppress
from ipaddress import ip_address
from threading import Lock, Thread
from typing import Any
from urllib.parse import urlsplit

from retune.carriers.errors import UsageError
from retune.carriers.install import how_to_add
from retune.pipeline.workers import Task

_log = logging.getLogger(__name__)
ASK_AGAIN_S = 2.0
LOOK_S = 0.2


class DaskCluster:
    """The workers of the scheduler at `address` ("tcp://host:8786").

    Dask itself gives the task of a dead worker to another one, and an error after a few deaths.

    Raises
    ------
    UsageError
        The extra is not installed, or no scheduler answers there.
    """

    def __init__(self, address: str) -> None:
        try:
            from distributed import Client
        except ImportError:
            raise UsageError(f"--dask needs the extra: {how_to_add('dask')}") from None
        host = _knock(address)
        _warn_of_the_open(address, host)
        try:
            client: Any = Client
            self.client = client(address, timeout="10s", set_as_default=False)
        except (OSError, ValueError, TimeoutError) as error:
            raise UsageError(f"--dask {address}: no scheduler answers there ({error})") from error
        except (RuntimeError, TypeError) as error:  # so it says that TLS is asked for or not set up
            raise UsageError(f"--dask {address}: {_tls_words(address, error)}") from error
        self.address = address
        self.executor = self.client.get_executor(pure=False)
        self._width, self._asked = 0, 0.0
        self._away: set[Future[Any]] = set()
        self._lock = Lock()
        Thread(target=self._watch, daemon=True).start()

    def submit(self, task: Task) -> Future[Any]:
        # What is sent while the client looks for its scheduler is lost without a word.
        while self.client.status == "connecting":
            time.sleep(LOOK_S)
        if self._is_gone():
            raise self._gone()
        sent, told = self.executor.submit(task.run, task.given), Future[Any]()
        with self._lock:
            self._away.add(told)
        sent.add_done_callback(lambda done: self._settle(told, done))
        return told

    def _settle(self, told: Future[Any], done: Future[Any]) -> None:
        """Hand on how a task ended, unless it was given up before."""
        with self._lock:
            if told not in self._away:
                return
            self._away.discard(told)
        try:
            error = done.exception()
        except CancelledError:
            # Nobody else cancels: the client does when it gives its scheduler up.
            error = self._gone()
        if error is None:
            told.set_result(done.result())
        else:
            told.set_exception(error)

    def _watch(self) -> None:
        """Give up what is under way once the client has: Dask leaves such tasks unended."""
        while not self._is_gone():
            time.sleep(LOOK_S)
        with self._lock:
            left, self._away = self._away, set()
        for told in left:
            told.set_exception(self._gone())

    def _is_gone(self) -> bool:
        return self.client.status in ("closing", "closed")

    def _gone(self) -> ConnectionError:
        return ConnectionError(
            f"the scheduler at {self.address} is gone; start it and run again with --resume"
        )

    def width(self) -> int:
        now = time.monotonic()
        if now - self._asked > ASK_AGAIN_S:
            self._asked = now
            # A client without its scheduler raises whatever it comes upon; `submit` tells.
            with suppress(Exception):
                self._width = 2 * sum(self.client.nthreads().values())
        return max(self._width, 2)

    def broke(self, error: BaseException) -> bool:
        return False

    def suspects(self, tasks: Sequence[Task]) -> list[Task]:
        return list(tasks)

    def stop(self) -> None:
        """Forget what is under way; workers end the jobs they are at."""
        self.client.close(timeout=0.5)

    def leave(self) -> None:
        """A client that stays would look for its scheduler for as long as this process lives."""
        self.stop()


def _tls_words(address: str, error: Exception) -> str:
    if address.startswith("tls:"):
        return (
            "the certificates for it are not set in Dask's configuration (distributed.comm.tls); "
            'see "A lab\'s cluster" in: retune help batch'
        )
    return f'{error}; give the scheduler as "tls://host:8786"'


def _warn_of_the_open(address: str, host: str) -> None:
    """A scheduler without TLS asks nobody who they are; on this machine alone that does no harm."""
    if urlsplit(address).scheme == "tls":
        return
    with suppress(OSError):
        found = {str(info[4][0]) for info in socket.getaddrinfo(host, None)}
        if all(ip_address(text).is_loopback for text in found):
            return
    _log.warning(
        "--dask %s is neither encrypted nor closed to others: whoever reaches it may run programs "
        'as you; set up TLS and give a "tls:" address (retune help batch)',
        address,
    )


def _knock(address: str) -> str:
    """Ask for a plain connection first: a Dask client waits long for one that never comes; returns
    the host's name."""
    try:
        parts = urlsplit(address)
        host, port = parts.hostname, parts.port
    except ValueError:
        host, port, parts = None, None, urlsplit("")
    if parts.scheme not in ("tcp", "tls") or not host or not port:
        raise UsageError(
            f'--dask {address}: write the scheduler as "tcp://host:8786", or with "tls:" for TLS'
        )
    try:
        socket.create_connection((host, port), timeout=5.0).close()
    except OSError as error:
        raise UsageError(f"--dask {address}: no scheduler answers there ({error})") from error
    return host
