"""What is settled once for the process before the work begins."""

from __future__ import annotations

import gc
import sys
import warnings

from stacker.cli.allocator import keep_freed_memory


def settle() -> None:
    """Prepare this process for work on frames: allocator, OpenCV's threads, warnings, odd letters in file names.

    Everything heavy is imported here, and never looked at again by the garbage collector: that it looks leaves marks,
    and each marked page of memory would have to be copied for every copy of this process.
    """
    keep_freed_memory()
    # Our threads leave the interpreter for every few dozen microseconds of work: short turns let the other go on.
    sys.setswitchinterval(2e-5)
    import cv2

    import stacker.pipeline  # noqa: F401

    gc.collect()
    gc.freeze()
    cv2.setNumThreads(1)
    if not sys.warnoptions and "pytest" not in sys.modules:
        warnings.simplefilter("ignore")
    for stream in (sys.stdout, sys.stderr):
        # A file name may hold what the terminal cannot show; that is no reason to stop.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
