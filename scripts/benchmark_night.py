#!/usr/bin/env python3
"""How long a season takes with one worker, with two, and with two Dask workers.

    .venv/bin/python scripts/benchmark_night.py FOLDER [--rounds 3] [--no-cluster]

FOLDER holds captures, such as scripts/make_season.py makes. The ways run interleaved, because machines drift, and each
round is compared within itself; the median of the ratios counts. Beside them stands the machine's own ceiling: the same
captures split into two halves, each done by a call with one worker, both at once, so that nothing is handed out and
nobody waits. Two processors that are two threads of one core, or others at work on the machine, keep that above one
half. Dask's scheduler and workers are started once: a club's run all night.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

QUIET = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}


def night(folder: Path, out: Path, *words: str) -> subprocess.Popen[bytes]:
    """Start a night."""
    command = [sys.executable, "-m", "stacker.cli", "night", str(folder), "--out", str(out), "--logbook", "none"]
    return subprocess.Popen([*command, *words], **QUIET)


def timed(home: Path, begin: Callable[[Path], list[subprocess.Popen[bytes]]]) -> float:
    """Return the seconds until every process that `begin` starts has ended."""
    out = Path(tempfile.mkdtemp(dir=home))
    start = time.perf_counter()
    for process in begin(out):
        process.wait()
    took_s = time.perf_counter() - start
    shutil.rmtree(out)
    return took_s


def halves(folder: Path, home: Path) -> list[Path]:
    """Return two folders that share the captures of `folder`, by links, one here and one there in turn."""
    captures = sorted(path for path in folder.rglob("*") if path.suffix in (".avi", ".fits", ".mkv"))
    parts = [home / "first", home / "second"]
    for number, path in enumerate(captures):
        place = parts[number % 2] / path.relative_to(folder)
        place.parent.mkdir(parents=True, exist_ok=True)
        for beside in (path, path.with_suffix(".toml")):
            if beside.exists():
                (place.parent / beside.name).hardlink_to(beside)
    return parts


class Club:
    """A scheduler and two workers on this machine."""

    def __init__(self, home: Path) -> None:
        self._home = home
        said = self._start("dask_scheduler", "Scheduler at:", "--host", "127.0.0.1", "--port", "0")
        self.address = said.split()[-1]
        for _ in range(2):
            self._start("dask_worker", "Registered to", self.address, "--nthreads", "1", "--no-nanny")

    def _start(self, module: str, until: str, *words: str) -> str:
        log = self._home / f"{module}-{time.monotonic_ns()}.log"
        command = [sys.executable, "-W", "ignore", "-m", f"distributed.cli.{module}", "--no-dashboard", *words]
        with log.open("wb") as file:
            _STARTED.append(subprocess.Popen(command, stdout=file, stderr=file))
        while True:
            for line in log.read_text().splitlines():
                if until in line:
                    return line
            if _STARTED[-1].poll() is not None:
                sys.exit(f"{module} did not start:\n{log.read_text()}")
            time.sleep(0.05)


_STARTED: list[subprocess.Popen[bytes]] = []


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--no-cluster", action="store_true")
    options = parser.parse_args()
    home = Path(tempfile.mkdtemp(prefix="stillair-bench-", dir=options.folder.resolve().parent))
    try:
        measure(options, home)
    finally:
        for process in _STARTED:
            process.terminate()
            process.wait()
        shutil.rmtree(home)


def measure(options: argparse.Namespace, home: Path) -> None:
    """Run the rounds and print each, then the medians."""
    folder, parts = options.folder, halves(options.folder, home)
    ways: dict[str, Callable[[Path], list[subprocess.Popen[bytes]]]] = {
        "one worker": lambda out: [night(folder, out, "--workers", "1")],
        "two workers": lambda out: [night(folder, out, "--workers", "2")],
        "halves by hand": lambda out: [night(part, out / part.name, "--workers", "1") for part in parts],
    }
    if not options.no_cluster:
        club = Club(home)
        ways["two Dask workers"] = lambda out: [night(folder, out, "--cluster", club.address)]
    times: dict[str, list[float]] = {name: [] for name in ways}
    for number in range(options.rounds):
        for name, begin in ways.items():
            times[name].append(timed(home, begin))
        told = ", ".join(f"{name} {took[-1]:.1f} s" for name, took in times.items())
        load = f", load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
        print(f"round {number + 1}: {told}{load}", flush=True)
    for name, took in times.items():
        ratios = [one / base for one, base in zip(took, times["one worker"], strict=True)]
        print(f"{name:<18}{median(took):7.1f} s   {median(ratios):.2f} of one worker's time")


if __name__ == "__main__":
    main()
