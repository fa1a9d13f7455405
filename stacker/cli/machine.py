"""What is settled once for the process before the work begins."""

from __future__ import annotations

import sys
import warnings

from stacker.cli.allocator import keep_freed_memory


def settle() -> None:
    """Prepare this process for work on frames: allocator, OpenCV's threads, warnings, odd letters in file names."""
    keep_freed_memory()
    import cv2

    cv2.setNumThreads(1)
    if not sys.warnoptions and "pytest" not in sys.modules:
        warnings.simplefilter("ignore")
    for stream in (sys.stdout, sys.stderr):
        # A file name may hold what the terminal cannot show; that is no reason to stop.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
