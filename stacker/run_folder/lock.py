"""One writer at a time: a lock file that the system frees when its owner dies, however it dies."""

from __future__ import annotations

import errno
import os
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

_NO_LOCKS = frozenset(getattr(errno, name, -1) for name in ("ENOTSUP", "EOPNOTSUPP", "ENOLCK", "ENOSYS", "EINVAL"))
"""What drives without locks answer; there the work goes on without, which costs double work at worst."""
_OWNED = frozenset((errno.EAGAIN, errno.EACCES, errno.EDEADLK, getattr(errno, "EDEADLOCK", errno.EDEADLK)))
_FAR = 1 << 30
"""The byte that is locked where ranges are: beyond the words, which others may read."""
_PAUSE_S = 0.05


@contextmanager
def hold(path: Path, wait_s: float = 0.0) -> Iterator[bool]:
    """Hold the lock file `path`, which says host, process and time of its owner; give False where another holds it.

    Waits up to `wait_s` seconds. The lock is the operating system's own (flock, on Windows a byte range): it ends with
    its process, so that a power cut or `kill -9` leaves a file at most, which the next owner takes over and removes.
    Raises OSError where the file cannot be created.
    """
    until = time.monotonic() + wait_s
    while (lock := _acquire(path)) is None and time.monotonic() < until:
        time.sleep(_PAUSE_S)
    try:
        yield lock is not None
    finally:
        if lock is not None:
            _release(path, lock)


def owner_of(path: Path) -> str:
    """Return who holds a lock, in words."""
    try:
        words = path.read_text(encoding="utf-8", errors="replace").split()
    except OSError:
        words = []
    return f"process {words[1]} on {words[0]}" if len(words) >= 2 else "another program"


def _acquire(path: Path) -> int | None:
    while True:
        lock = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
        try:
            if not _lock(lock):
                os.close(lock)
                return None
            if _still_there(path, lock):
                os.ftruncate(lock, 0)
                os.write(lock, f"{socket.gethostname()} {os.getpid()} {time.time():.0f}\n".encode())
                return lock
        except BaseException:
            os.close(lock)
            raise
        os.close(lock)  # its last owner removed it between our opening and locking


def _release(path: Path, lock: int) -> None:
    # Removed while still locked: whoever opened it meanwhile finds that it is no longer there, and begins anew.
    with suppress(OSError):
        path.unlink()
    os.close(lock)
    if os.name == "nt":  # an open file cannot be removed there
        with suppress(OSError):
            path.unlink()


def _still_there(path: Path, lock: int) -> bool:
    try:
        return os.path.samestat(os.fstat(lock), path.stat())
    except FileNotFoundError:
        return False


def _lock(lock: int) -> bool:
    """Return whether the lock is ours, or the drive has none."""
    try:
        if os.name == "nt":
            import msvcrt

            os.lseek(lock, _FAR, os.SEEK_SET)
            msvcrt.locking(lock, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
            os.lseek(lock, 0, os.SEEK_SET)
        else:
            import fcntl

            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in _OWNED:
            return False
        if error.errno in _NO_LOCKS:
            return True
        raise
    return True
