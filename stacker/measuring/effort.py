"""What a run cost."""

from __future__ import annotations

import sys


def peak_memory_mb() -> float | None:
    """Return the largest resident memory of this process so far, in units of 1e6 bytes; None where nobody counts."""
    try:
        import resource
    except ImportError:
        return None
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 1e6 if sys.platform == "darwin" else peak * 1024 / 1e6
