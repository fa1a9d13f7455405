"""How many captures at once, and with how many threads each, so that processors are busy and memory suffices."""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from stacker.night.found import Found

PROCESS_MB = 145.0
"""Resident memory of a worker before any frame: interpreter, numpy, scipy, OpenCV, ephemeris (measured on Linux)."""
PIXEL_BYTES = 390.0
"""Further memory a pixel of the frame (measured at 320x240 to 1280x960, a surface, one thread)."""
COLOUR_PIXEL_BYTES = 60.0
"""Further memory a pixel for each colour beyond the first."""
THREAD_PIXEL_BYTES = 100.0
"""Further memory a pixel for each thread beyond the first."""
_SHARE = 0.8
"""Part of the memory at hand that we take; the system's file cache wants some."""
_FIXED_WORK_PIXELS = 2e6
"""What a capture costs beside its frames, in pixels of frames."""


def work_of(found: Found) -> float:
    """Return the work in a capture, in pixels of frames."""
    return _FIXED_WORK_PIXELS + found.frames * found.pixels


def memory_mb(found: Found, threads: int = 1) -> float:
    """Return the memory (units of 1e6 bytes) that a process needs to work on a capture."""
    pixel_bytes = PIXEL_BYTES + COLOUR_PIXEL_BYTES * (found.planes - 1) + THREAD_PIXEL_BYTES * (threads - 1)
    return PROCESS_MB + found.height_px * found.width_px * pixel_bytes / 1e6


def threads_for(work: float, unfinished: Sequence[float], workers: int) -> int:
    """Return the threads of the capture that is handed out next, out of `unfinished` (itself and those running too).

    Each capture gets its share of the workers by its work: one thread a capture while there are many, since a process
    each wastes nothing; more where fewer captures than workers are left, or where one outweighs all others.
    """
    return min(workers, max(1, round(workers * work / max(sum(unfinished), work))))


def fits(needed_mb: float, running_mb: Sequence[float], limit_mb: float | None) -> bool:
    """Return whether one more capture fits beside those running; one alone always does."""
    return limit_mb is None or not running_mb or sum(running_mb) + needed_mb <= limit_mb


def memory_limit_mb() -> float | None:
    """Return the memory that a night may take on this machine now; None where nobody tells."""
    told = [found for found in (_machine_mb(), _container_mb()) if found is not None]
    return _SHARE * min(told) if told else None


def _machine_mb() -> float | None:
    if sys.platform == "win32":
        return _windows_mb()
    try:
        for line in Path("/proc/meminfo").read_text(encoding="ascii").splitlines():
            if line.startswith("MemAvailable:"):
                return int(line.split()[1]) * 1024 / 1e6
    except OSError:
        pass
    try:
        # What is free now is not told here (macOS); half of all there is comes near.
        return 0.5 * os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") / 1e6
    except (ValueError, OSError, AttributeError):
        return None


def _container_mb() -> float | None:
    """Return what is left below the limit of a Linux control group (version 2)."""
    home = Path("/sys/fs/cgroup")
    try:
        limit, used = ((home / name).read_text(encoding="ascii").strip() for name in ("memory.max", "memory.current"))
        return None if limit == "max" else (int(limit) - int(used)) / 1e6
    except (OSError, ValueError):
        return None


def _windows_mb() -> float | None:
    """Return the free physical memory (GlobalMemoryStatusEx: the tenth and eleventh double word, low and high)."""
    words = (ctypes.c_uint32 * 16)(64)
    if not ctypes.windll.kernel32.GlobalMemoryStatusEx(ctypes.byref(words)):  # type: ignore[attr-defined,unused-ignore]
        return None
    return (words[4] + (words[5] << 32)) / 1e6
