"""The peak memory of a run does not grow with the number of frames."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from stacker.simulation.writing import write_capture

SIDE_PX = 112


def moving_disc(count: int) -> Iterator[np.ndarray]:
    """A banded disc that moves by sub-pixels, with noise; frames are made one by one."""
    rng = np.random.default_rng(1)
    rows, columns = np.mgrid[:SIDE_PX, :SIDE_PX].astype(np.float32) - SIDE_PX / 2
    for _ in range(count):
        y, x = rows - rng.normal(0, 1), columns - rng.normal(0, 1)
        scene = 10 + (120 + 20 * np.sin(y / 4) + 10 * np.sin(x / 5)) / (1 + np.exp(np.hypot(y, x) - 36))
        yield np.clip(scene + rng.normal(0, 3, scene.shape), 0, 255).astype(np.uint8)


def peak_memory_mb(path: Path) -> float:
    command = [sys.executable, "-m", "stacker.cli", "process", str(path), "--out", str(path.parent / "runs")]
    more = ["--keep", "20", "--effort", "quick", "--workers", "1", "--json"]
    done = subprocess.run(command + more, capture_output=True, text=True, check=True)
    return float(json.loads(done.stdout)["metrics"]["peak_memory_mb"])


pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no count of the peak that we read")


def test_four_times_the_frames_take_no_more_memory(tmp_path: Path) -> None:
    """200 and 800 frames: within 15 MB of each other, under 300 MB."""
    few, many = (
        peak_memory_mb(write_capture(tmp_path / f"{count}.avi", moving_disc(count), kind="avi", bits=8))
        for count in (200, 800)
    )
    assert many < 300
    assert abs(many - few) < 15


def coloured_disc(count: int) -> Iterator[np.ndarray]:
    """A large banded disc in colours, as a mosaic of 640x480 records it."""
    rng = np.random.default_rng(2)
    rows, columns = np.mgrid[:480, :640].astype(np.float32)
    colours = np.tile(np.array([[0.8, 1.0], [1.0, 0.6]], np.float32), (240, 320))
    for _ in range(count):
        y, x = rows - 240 - rng.normal(0, 1), columns - 320 - rng.normal(0, 1)
        scene = 5 + (130 + 20 * np.sin(y / 4) + 15 * np.sin(x / 5)) / (1 + np.exp(np.minimum(np.hypot(y, x) - 160, 50)))
        yield np.clip(colours * scene + rng.normal(0, 3, scene.shape), 0, 255).astype(np.uint8)


def test_a_large_colour_capture_takes_less_than_300_mb_with_two_workers(tmp_path: Path) -> None:
    """640x480 pixels with a mosaic that nothing names; the process itself takes 95 MB before it begins."""
    path = write_capture(tmp_path / "colour.avi", coloured_disc(48), kind="avi", bits=8)
    command = [sys.executable, "-m", "stacker.cli", "process", str(path), "--out", str(tmp_path), "--workers", "2"]
    done = subprocess.run([*command, "--json"], capture_output=True, text=True, check=True)
    metrics = json.loads(done.stdout)["metrics"]
    assert "a colour mosaic was found from the frames" in metrics["notes"]["remarks"]
    assert metrics["peak_memory_mb"] < 290


def test_the_peak_is_the_process_s_own() -> None:
    """Not that of a large process which started it, as `ru_maxrss` has it on Linux; and it counts what was held."""
    ballast = np.ones(40_000_000)
    code = "from stacker.measuring.effort import peak_memory_mb as m; a = m(); b = bytearray(60_000_000); print(a, m())"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    before, after = (float(word) for word in done.stdout.split())
    assert before < 100 < ballast.nbytes / 1e6
    assert after - before == pytest.approx(60, abs=5)
