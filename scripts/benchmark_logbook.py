#!/usr/bin/env python
"""What listing, choosing and comparing cost with 10,000 runs on record: whole commands, start of Python included.

    .venv/bin/python scripts/benchmark_logbook.py [--runs N] [--logbook FILE]

The runs are made up: three telescopes, 250 nights, four targets; with as many numbers and words as real ones have.
Wanted: under 0.5 s each.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

import numpy as np

from stacker.logbook import Logbook, LoggedRun
from stacker.logbook.run_reading import measured_in

TELESCOPES = (("three inch", 80.0), ("ten inch", 254.0), ("great mirror", 406.0))
TARGETS = ("Ambrel", "Tessaly", "Ondrel", "Jupiter")
NAMES = ("resolution_px", "resolution_arcsec", "resolution_over_diffraction", "r0_mm", "seeing_arcsec", "snr",
         "image_motion_px_rms", "limb_overshoot_percent", "information_bits")  # fmt: skip
PLAIN = ("frames_total", "frames_readable", "frames_used", "keep_percent", "width_px", "height_px", "snr_best_frame",
         "scale_arcsec_per_px", "clipped_fraction", "elapsed_s", "peak_memory_mb", "disc_radius_px", "north_angle_deg",
         "sky_adu", "noise_adu", "gain_e_per_adu", "read_noise_e", "patches", "duration_s")  # fmt: skip
LIMITS = ("air", "light", "frames", "sampling", "optics", "tracking", "rotation", "dispersion", "clipping")
WANTED_S = 0.5


def made_run(number: int, random: np.random.Generator) -> LoggedRun:
    """Return a run of plausible numbers."""
    telescope, aperture = TELESCOPES[number % 3]
    night = 1 + number // 40
    date = str(np.datetime64("2030-01-01") + night)
    numbers = {key: float(np.exp(0.2 * random.normal())) for key in NAMES}
    metrics = {
        "schema_version": 1,
        **numbers,
        **{f"{key}_error": 0.05 * value for key, value in numbers.items()},
        **{key: float(random.integers(1, 1000)) for key in PLAIN},
        "notes": dict.fromkeys(PLAIN, "made up, and told in a sentence of some length " * 4),
        "limits": [{"name": name, "share": 0.1, "share_error": 0.05, "sentence": "so it is"} for name in LIMITS],
    }
    metrics["r0_mm"] *= 80.0
    circumstances = {
        "capture": {"target": TARGETS[number % 4], "start_utc": f"{date}T21:{number % 60:02d}:00Z", "filter": "green"},
        "telescope": {"name": telescope, "aperture_mm": aperture, "focal_length_mm": 3000.0, "obstruction_mm": 70.0},
        "camera": {"name": "planetary", "pixel_um": 2.9},
        "site": {"name": "Old Beacon", "latitude_deg": 52.2, "longitude_deg": 13.1, "elevation_m": 80.0},
    }
    return LoggedRun(
        f"{number:016x}", Path(f"/runs/{number}"), f"{date}T23:00:00Z", f"capture {number}.avi", f"{number:064x}",
        "0.1", "disc", date, 40.0, 1.55, circumstances, {"stacking": {"keep": "auto"}}, measured_in(metrics), metrics,
    )  # fmt: skip


def fill(path: Path, count: int) -> None:
    """Write a logbook of made-up runs."""
    random = np.random.default_rng(1)
    with Logbook(path) as book:
        book.record(made_run(number, random) for number in range(count))


def seconds(words: list[str], path: Path) -> float:
    """Return the median wall time of three calls of the command."""
    times = []
    for _ in range(3):
        began = time.perf_counter()
        command = [sys.executable, "-m", "stacker.cli", *words, "--logbook", str(path)]
        subprocess.run(command, stdout=subprocess.DEVNULL, check=True, env=os.environ)
        times.append(time.perf_counter() - began)
    return median(times)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="What 10,000 runs on record cost.")
    parser.add_argument("--runs", type=int, default=10000)
    parser.add_argument("--logbook", type=Path)
    parser.add_argument("--json", action="store_true")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = arguments.logbook or Path(folder) / "logbook.sqlite"
        began = time.perf_counter()
        if not path.exists():
            fill(path, arguments.runs)
        filled = time.perf_counter() - began
        calls = {
            "list": ["log"],
            "list all": ["log", "--last", "0"],
            "filter": ["log", "--target", "jup*", "--telescope", "ten inch", "--date", "2030-03..2030-05"],
            "show one": ["log", "00000000000003e7"],
            "compare telescopes": ["compare", "--by", "telescope"],
            "compare nights": ["compare", "--by", "night", "--target", "Jupiter", "--date", "2030-02..2030-05"],
            "seeing": ["log", "--seeing"],
        }
        table = {name: seconds(words, path) for name, words in calls.items()}
        if arguments.json:
            print(json.dumps(table))
            return
        print(f"{arguments.runs} runs, {path.stat().st_size / 1e6:.0f} MB, recorded in {filled:.1f} s")
        for name, taken in table.items():
            print(f"  {name:<20}{taken:6.2f} s  {'ok' if taken < WANTED_S else 'TOO SLOW'}")


if __name__ == "__main__":
    main()
