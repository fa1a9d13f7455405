"""One thread for the linear algebra under numpy and scipy while our own threads work on frames.

Their OpenBLAS starts a thread a processor for each product of matrices. Beside our threads these wait for each other:
aligning 400 frames took 252 s on two shared processors against 9 s with one thread each. The number of threads also
changes the order of sums, and so the last bits. Environment variables limit it only where they are set before numpy is
imported, which in a notebook is too late; the library's own switch works at any time.
"""

from __future__ import annotations

import ctypes
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from types import ModuleType

_NAMES = ("scipy_openblas_{}_num_threads64_", "scipy_openblas_{}_num_threads", "openblas_{}_num_threads")


@contextmanager
def one_blas_thread() -> Iterator[None]:
    """Let OpenBLAS use one thread inside the context, and as many as before afterwards.

    Where numpy and scipy stand on another library (Accelerate, MKL, a system BLAS) nothing happens.
    """
    switches = _switches("scipy.linalg" in sys.modules)
    before = [read() for read, _ in switches]
    for _, write in switches:
        write(1)
    try:
        yield
    finally:
        for (_, write), count in zip(switches, before, strict=True):
            write(count)


@cache
def _switches(with_scipy: bool) -> tuple[tuple[Callable[[], int], Callable[[int], None]], ...]:
    """Return how to read and set the number of threads of numpy's OpenBLAS, and of scipy's where that is in use."""
    import numpy

    found = []
    for package in (numpy, sys.modules["scipy"]) if with_scipy else (numpy,):
        for file in _bundled(package):
            try:
                library = ctypes.CDLL(str(file))
            except OSError:
                continue
            found += [
                (getattr(library, name.format("get")), getattr(library, name.format("set")))
                for name in _NAMES
                if hasattr(library, name.format("set"))
            ][:1]
    return tuple(found)


def _bundled(package: ModuleType) -> list[Path]:
    """Return the OpenBLAS files of a wheel: beside the package on Linux and Windows, inside it on macOS."""
    home = Path(str(package.__file__)).parent
    folders = (home.with_name(f"{home.name}.libs"), home / ".dylibs")
    return [file for folder in folders if folder.is_dir() for file in sorted(folder.glob("*openblas*"))]
