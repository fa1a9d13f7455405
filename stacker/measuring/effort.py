"""What a run cost."""

from __future__ import annotations

import sys
from pathlib import Path


def peak_memory_mb() -> float | None:
    """Return the largest resident memory of this process so far, in units of 1e6 bytes; None where nobody counts.

    Linux counts what the process that started this one held into `ru_maxrss`; `VmHWM` is this process's own.
    """
    try:
        status = Path("/proc/self/status").read_text(encoding="ascii", errors="replace")
    except OSError:
        status = ""
    for line in status.splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) * 1024 / 1e6
    try:
        import resource
    except ImportError:
        return None
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 1e6 if sys.platform == "darwin" else peak * 1024 / 1e6
