"""Workers on other machines, through a Dask scheduler.

All of them see the captures and the run folders under the same paths.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from concurrent.futures import CancelledError
from contextlib import suppress
from pathlib import Path
from typing import Any

from stacker.night.hands import Hands, Prepare
from stacker.night.task import FAILED, LOST, Outcome, Task, do_task
from stacker.settings import SettingsError
from stacker.version import __version__

_CONNECT_S = 10.0
_AHEAD = 2
"""Tasks a thread of the cluster: the next waits at the worker while one is done."""
_prepared = False


class ClusterGone(Exception):
    """The scheduler does not answer any more."""


class Cluster(Hands):
    """The workers of a running scheduler; it hands the work of a lost one to the others by itself."""

    def __init__(self, address: str, prepare: Prepare) -> None:
        """Connect to the scheduler at `address`.

        Raises SettingsError where nobody answers there, the extra is not installed, or a worker has another version.
        """
        self._address, self._prepare = address, prepare
        self._waiting: dict[Any, Task] = {}
        self._news = threading.Event()
        self._client = _connect(address)
        _check_versions(self._client, address)

    def free(self) -> int:
        threads = self._asked(lambda client: sum(client.nthreads().values()))
        return max(0, _AHEAD * max(int(threads), 1) - len(self._waiting))

    def take(self, task: Task, threads: int) -> None:
        future = self._asked(
            lambda client: client.submit(do_far_task, self._prepare, task, pure=False, key=_key(task), retries=2)
        )
        self._waiting[future] = task
        future.add_done_callback(lambda _: self._news.set())

    def gather(self, timeout_s: float) -> list[tuple[Task, Outcome]]:
        self._news.wait(timeout_s)
        self._news.clear()
        self._check()
        ended = [future for future in self._waiting if future.done()]
        return [(self._waiting[future], self._outcome(future, self._waiting.pop(future))) for future in ended]

    def close(self) -> None:
        self._waiting.clear()
        with suppress(OSError, TimeoutError):
            self._client.close(timeout=2)

    def _outcome(self, future: Any, task: Task) -> Outcome:
        dropped = Outcome(LOST, f"{task.path}: the cluster dropped it")
        if future.status == "finished":
            try:
                result = self._asked(lambda _: future.result())
            except CancelledError:
                return dropped
            return result if isinstance(result, Outcome) else Outcome(FAILED, f"{task.path}: no outcome came back")
        if future.status == "error":
            error = future.exception()
            kind = type(error).__name__
            if kind == "KilledWorker":
                return Outcome(LOST, f"{task.path}: the workers that took it died, one after the other")
            return Outcome(FAILED, f"{task.path}: the worker met {kind} ({error})".splitlines()[0])
        return dropped

    def _check(self) -> None:
        if self._client.status != "running":
            raise ClusterGone(f"{self._address} does not answer any more")

    def _asked(self, question: Callable[[Any], Any]) -> Any:
        self._check()
        try:
            return question(self._client)
        except (OSError, TimeoutError) as error:
            raise ClusterGone(f"{self._address} does not answer any more ({type(error).__name__})") from error


def do_far_task(prepare: Prepare, task: Task) -> Outcome:
    """Do a task on a worker of the cluster, which is prepared at its first."""
    global _prepared
    if not _prepared:
        prepare()
        _prepared = True
    if not Path(task.path).exists():
        return Outcome(
            FAILED, f"{task.path}: is not there on the machine {_host()}; the cluster needs one path for all machines"
        )
    return do_task(task)


def version_here() -> str:
    """Return the version that a worker runs."""
    return __version__


def _connect(address: str) -> Any:
    try:
        from distributed import Client
        from distributed.comm.addressing import get_address_host_port
    except ImportError as error:
        raise SettingsError('--cluster needs the extra: pip install "stillair[cluster]"') from error
    # What the library logs of lost workers is told in our own words, once a capture.
    for name in ("distributed", "distributed.client"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        # A client that fails half way leaves a trace behind.
        get_address_host_port(address)  # type: ignore[no-untyped-call,unused-ignore]
        return Client(address, timeout=_CONNECT_S, set_as_default=False)  # type: ignore[no-untyped-call,unused-ignore]
    except (OSError, TimeoutError, ValueError) as error:
        raise SettingsError(
            f"--cluster {address}: no scheduler answers there; start one with 'dask scheduler', or check the address"
        ) from error


def _check_versions(client: Any, address: str) -> None:
    told: dict[str, Any] = client.run(version_here, on_error="return")
    for worker, version in told.items():
        if version != __version__:
            has = f"stillair {version}" if isinstance(version, str) else "no stillair"
            raise SettingsError(
                f"--cluster {address}: the worker {worker} has {has}, here is {__version__}; install the same on all"
            )


def _key(task: Task) -> str:
    import uuid

    return f"stillair-{task.path.stem}-{uuid.uuid4().hex[:12]}"


def _host() -> str:
    import socket

    return socket.gethostname()
