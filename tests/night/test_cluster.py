"""A real Dask scheduler and two worker processes on loopback: lost workers, files and schedulers are survived."""

import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from stacker.night.cluster import Cluster, ClusterGone
from stacker.night.task import LOST

pytest.importorskip("distributed")

Recorder = Callable[..., Path]
BytesOf = Callable[[Path], dict[str, bytes]]


@dataclass
class Club:
    """A scheduler and its workers, each a process that a test may kill."""

    folder: Path
    address: str = ""
    processes: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def start(self, module: str, until: str, *words: str) -> str:
        """Start one process and return the line of its log that says `until`."""
        log = self.folder / f"{len(self.processes)}.log"
        command = [sys.executable, "-W", "ignore", "-m", f"distributed.cli.{module}", "--no-dashboard", *words]
        with log.open("wb") as file:
            self.processes.append(subprocess.Popen(command, stdout=file, stderr=file))
        end = time.monotonic() + 60
        while time.monotonic() < end:
            for line in log.read_text().splitlines():
                if until in line:
                    return line
            time.sleep(0.05)
        pytest.fail(f"{module} did not start: {log.read_text()}")

    def join(self) -> None:
        """Start one more worker, with one thread."""
        self.start("dask_worker", "Registered to", self.address, "--nthreads", "1", "--no-nanny")

    def stop(self) -> None:
        """End every process."""
        for process in self.processes:
            process.kill()
            process.wait()


@pytest.fixture
def club(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Club]:
    """A club with two machines."""
    made = Club(tmp_path_factory.mktemp("club"))
    try:
        said = made.start("dask_scheduler", "Scheduler at:", "--host", "127.0.0.1", "--port", "0")
        made.address = said.split()[-1]
        made.join()
        made.join()
        yield made
    finally:
        made.stop()


@pytest.fixture
def season(record: Recorder, tmp_path: Path) -> Path:
    """Eight captures."""
    for number in range(8):
        record(tmp_path / "night" / f"c{number}.avi", frames=40, seed=number)
    return tmp_path / "night"


def _night(season: Path, out: Path, *words: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "stacker.cli", "night", str(season), "--out", str(out), *words]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def _wait_for_runs(out: Path, count: int) -> None:
    until = time.monotonic() + 60
    while len(list(out.glob("*/metrics.json"))) < count and time.monotonic() < until:
        time.sleep(0.02)


@pytest.mark.filterwarnings("ignore")
def test_a_worker_killed_midway_and_a_lost_file_cost_nothing_else(
    season: Path, club: Club, tmp_path: Path, stillair: Callable[..., Any], bytes_of: BytesOf
) -> None:
    out = tmp_path / "runs"
    night = _night(season, out, "--cluster", club.address)
    _wait_for_runs(out, 1)
    (season / "c0.avi").rename(tmp_path / "c0.avi")
    club.processes[1].kill()
    told, errors = night.communicate(timeout=120)
    # It may have been done already, by the worker that died before it could say so.
    lost = night.returncode == 1
    assert lost or (night.returncode == 0 and (out / "c0").exists()), errors
    assert [line.split(":")[0] for line in errors.splitlines()] == [str(season / "c0.avi")] * lost, errors
    (tmp_path / "c0.avi").rename(season / "c0.avi")
    assert f"{8 - lost} of 8 captures done" in told
    assert not list(out.rglob(".*"))
    stillair("night", season, "--out", out, "--workers", 1)
    stillair("night", season, "--out", tmp_path / "alone", "--workers", 1)
    assert bytes_of(out) == bytes_of(tmp_path / "alone")


@pytest.mark.filterwarnings("ignore")
def test_a_lost_scheduler_leaves_the_work_to_this_machine(season: Path, club: Club, tmp_path: Path) -> None:
    out = tmp_path / "runs"
    night = _night(season, out, "--cluster", club.address, "--workers", "1")
    _wait_for_runs(out, 1)
    club.stop()
    told, errors = night.communicate(timeout=120)
    assert night.returncode == 0, errors
    assert "this machine goes on alone" in errors
    assert "8 of 8 captures done" in told


@pytest.mark.parametrize("connection_lost", [OSError("reset by peer"), TimeoutError("no answer")])
def test_a_scheduler_lost_while_an_outcome_is_fetched_is_told_as_gone(connection_lost: Exception) -> None:
    with pytest.raises(ClusterGone, match="does not answer any more"):
        _cluster_whose_result_raises(connection_lost).gather(0.0)


def test_an_outcome_dropped_while_it_is_fetched_is_told_as_lost() -> None:
    [(_, outcome)] = _cluster_whose_result_raises(CancelledError()).gather(0.0)
    assert outcome.state == LOST


def _cluster_whose_result_raises(error: Exception) -> Cluster:
    """A cluster with one finished future whose outcome cannot be fetched."""

    def result() -> None:
        raise error

    cluster = Cluster.__new__(Cluster)
    cluster._address, cluster._news = "tcp://192.0.2.1:8786", threading.Event()
    cluster._client = SimpleNamespace(status="running")
    future: Any = _Future("finished", result)
    cluster._waiting = {future: SimpleNamespace(path=Path("c0.avi"))}  # type: ignore[dict-item]
    return cluster


@dataclass(frozen=True)
class _Future:
    status: str
    result: Callable[[], None]

    def done(self) -> bool:
        return True


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "club-machine"])
def test_nobody_at_the_address_is_one_line(
    address: str, season: Path, tmp_path: Path, stillair: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    from stacker.night import cluster

    monkeypatch.setattr(cluster, "_CONNECT_S", 0.5)
    done = stillair("night", season, "--out", tmp_path / "runs", "--cluster", address)
    assert done.status == 2
    assert done.err.splitlines() == [
        f"--cluster {address}: no scheduler answers there; start one with 'dask scheduler', or check the address"
    ]
