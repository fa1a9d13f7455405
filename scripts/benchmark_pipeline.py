#!/usr/bin/env python3
"""What `stillair process --keep 20` costs on two simulated captures, with yardsticks beside it.

    .venv/bin/python scripts/benchmark_pipeline.py [--roofline SCRIPT] [--baseline SCRIPT]

Makes the captures once, in the hidden folder .bench of the checkout: 2000 frames of 640x480 as 8-bit AVI and 1000 as
16-bit FITS cube. Ours and the yardsticks run interleaved, because machines drift; medians are compared. A yardstick is
called as `python SCRIPT CAPTURE --keep 0.2`. The roofline prints `T_limit (...) = SECONDS s wall` without imports, so
ours is set against it without imports too; the baseline counts whole, by its wall time.

This program itself stays small (no numpy): what a child inherits would count as its peak memory.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from statistics import median

ROOT = Path(__file__).resolve().parents[1]
KEEP_PERCENT = 20
CAPTURES: dict[str, tuple[str, ...]] = {
    "trial.avi": ("--frames", "2000", "--bits", "8"),
    "trial.fits": ("--frames", "1000", "--bits", "12"),
}
_STAGES = """
import json, sys, tempfile, time
from stacker.blas_threads import one_blas_thread
from stacker.cli.machine import settle
settle()
from stacker.pipeline import process
from stacker.settings import Settings, StackingSettings
began = {}; ended = {}
def progress(stage, done, total):
    now = time.perf_counter()
    began.setdefault(stage, now); ended[stage] = now
with tempfile.TemporaryDirectory() as out, one_blas_thread():
    start = time.perf_counter()
    process(sys.argv[1], out, Settings(stacking=StackingSettings(keep=float(sys.argv[2]))), progress=progress)
    whole = time.perf_counter() - start
print(json.dumps({"stages": {stage: ended[stage] - began[stage] for stage in began}, "whole": whole}))
"""


@dataclass(frozen=True)
class Cost:
    """What one child process cost."""

    wall_s: float
    cpu_s: float
    peak_mb: float
    printed: str


def run(command: list[str]) -> Cost:
    """Run a child to its end; exit with its words where it fails."""
    with tempfile.TemporaryFile("w+") as printed:
        start = time.perf_counter()
        child = subprocess.Popen(command, stdout=printed, stderr=subprocess.STDOUT)
        _, status, used = os.wait4(child.pid, 0)
        wall_s = time.perf_counter() - start
        child.returncode = os.waitstatus_to_exitcode(status)
        printed.seek(0)
        words = printed.read()
    if child.returncode:
        sys.exit(f"{' '.join(command[:4])} ...: exit status {child.returncode}\n{words}")
    unit = 2**20 if sys.platform == "darwin" else 2**10
    return Cost(wall_s, used.ru_utime + used.ru_stime, used.ru_maxrss / unit, words)


def make_captures(folder: Path, size: str) -> list[Path]:
    """Return the captures, simulating those that are not there yet."""
    folder.mkdir(exist_ok=True)
    paths = []
    for name, words in CAPTURES.items():
        path = folder / f"{size}_{name}"
        if not path.is_file():
            print(f"simulating {path.name} (once)", flush=True)
            scene = ("--scene", "cratered", "--size-px", size, "--d-over-r0", "4", "--fast")
            run([sys.executable, "-m", "stacker.cli", "simulate", str(path), *scene, *words])
        paths.append(path)
    return paths


def ours(capture: Path, workers: str | None) -> Cost:
    """Process a capture as a user does, into a folder that is thrown away."""
    out = tempfile.mkdtemp(prefix="stillair-")
    try:
        words = ["process", str(capture), "--out", out, "--keep", str(KEEP_PERCENT)]
        return run([sys.executable, "-m", "stacker.cli", *words, *(("--workers", workers) if workers else ())])
    finally:
        shutil.rmtree(out)


def yardstick(python: str, script: Path, capture: Path) -> Cost:
    """Run another program on the same capture and share of frames."""
    return run([python, str(script), str(capture), "--keep", str(KEEP_PERCENT / 100)])


def limit_of(cost: Cost) -> float:
    """Return the wall time that a roofline printed."""
    found = re.search(r"T_limit \(\w+\) = ([\d.]+) s wall", cost.printed)
    if found is None:
        sys.exit(f"the roofline printed no T_limit:\n{cost.printed}")
    return float(found[1])


def import_time() -> float:
    """Return the seconds that importing costs before any work, median of three."""
    words = [sys.executable, "-c", "import stacker.cli, stacker.pipeline, tifffile"]
    return median(run(words).wall_s for _ in range(3))


def measure(capture: Path, options: argparse.Namespace) -> None:
    """Print the table of one capture."""
    costs: list[Cost] = []
    limits: list[float] = []
    others: list[float] = []
    for _ in range(options.rounds):
        costs.append(ours(capture, options.workers))
        if options.roofline:
            limits.append(limit_of(yardstick(options.yardstick_python, options.roofline, capture)))
        if options.baseline:
            others.append(yardstick(options.yardstick_python, options.baseline, capture).wall_s)
    wall_s = median(cost.wall_s for cost in costs)
    imports_s = import_time()
    print(f"\n{capture.name}, {os.cpu_count()} processors, {options.rounds} rounds, keep {KEEP_PERCENT} %")
    print(f"  ours      {wall_s:8.2f} s wall   {median(c.cpu_s for c in costs):8.2f} s cpu", end="")
    print(f"   peak {max(c.peak_mb for c in costs):.0f} MB   imports {imports_s:.2f} s")
    if limits:
        ratio = (wall_s - imports_s) / median(limits)
        print(f"  roofline  {median(limits):8.2f} s wall   ours without imports takes {ratio:.2f} times that")
    if others:
        print(f"  baseline  {median(others):8.2f} s wall   takes {median(others) / wall_s:.1f} times ours")
    stages = json.loads(run([sys.executable, "-c", _STAGES, str(capture), str(KEEP_PERCENT)]).printed)
    for stage, seconds in stages["stages"].items():
        print(f"    {stage:<32} {seconds:8.2f} s")
    print(f"    {'between and after':<32} {stages['whole'] - sum(stages['stages'].values()):8.2f} s")


def main() -> None:
    """Read the options, make the captures, print a table for each."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--roofline", type=Path, help="script that prints the sum of the best stages")
    parser.add_argument("--baseline", type=Path, help="script of the straightforward way")
    parser.add_argument("--yardstick-python", default=sys.executable, help="Python that runs the yardsticks")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--workers", help="threads of ours (default: its own choice)")
    parser.add_argument("--size", default="640x480", help="frame size (default %(default)s)")
    parser.add_argument("--folder", type=Path, default=ROOT / ".bench", help="where the captures are kept")
    options = parser.parse_args()
    for capture in make_captures(options.folder, options.size):
        measure(capture, options)


if __name__ == "__main__":
    main()
