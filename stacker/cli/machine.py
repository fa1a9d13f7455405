"""What is settled once for the process before the work begins."""

from __future__ import annotations

import sys
import warnings

from stacker.cli.allocator import keep_freed_memory


def settle() -> None:
    """Prepare this process for work on frames: allocator, OpenCV's threads, warnings, odd letters in file names."""
    keep_freed_memory()
    # Our threads leave the interpreter for every few dozen microseconds of work: short turns let the other go on.
    sys.setswitchinterval(2e-5)
    import cv2

    cv2.setNumThreads(1)
    if not sys.warnoptions and "pytest" not in sys.modules:
        warnings.simplefilter("ignore")
    for stream in (sys.stdout, sys.stderr):
        # A file name may hold what the terminal cannot show; that is no reason to stop.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
