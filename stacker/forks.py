"""Processes that begin as a copy of this one and work on what they are given, in turn.

A copy knows all that this process knows, the function and whatever it refers to, so nothing has to be handed over but
items and results. Their arrays go through files in memory, written and read in one piece each.
"""

from __future__ import annotations

import atexit
import ctypes
import gc
import os
import pickle
import signal
import sys
import threading
import traceback
import warnings
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from multiprocessing.connection import Connection, Pipe
from types import TracebackType
from typing import Any, Generic, TypeVar

import cv2
import numpy as np

Item = TypeVar("Item")
Result = TypeVar("Result")
_KEPT = 4
"""Messages whose arrays are kept; no more than three are ever on their way to one side."""
_PLACE_BYTES = 1 << 40
"""Distance of their places in the file, which only holds what was written."""
_LEAST_BYTES = 1 << 12
"""Smaller arrays travel with the message."""
_leaving: set[int] = set()
"""Processes told to end: giving back their memory takes them milliseconds, for which nobody waits."""


@atexit.register
def bury(options: int = 0) -> None:
    """Take note of the processes that have ended; without WNOHANG, wait for those that have not."""
    for process in list(_leaving):
        if os.waitpid(process, options)[0]:
            _leaving.discard(process)


def may_fork() -> bool:
    """Return whether a copy of this process is sound: on Linux, while no second thread may hold a lock."""
    return sys.platform == "linux" and hasattr(os, "memfd_create") and threading.active_count() == 1


@cache
def _trim() -> Callable[[int], Any]:
    """Return glibc's malloc_trim, which gives freed memory back to the system; elsewhere what does nothing."""
    try:
        return ctypes.CDLL(None).malloc_trim
    except (AttributeError, OSError, TypeError):
        return int


class _Line:
    """One end of a line between two processes."""

    def __init__(self, connection: Connection, outgoing: int, incoming: int) -> None:
        self.connection, self._outgoing, self._incoming = connection, outgoing, incoming
        self._sent = 0

    def send(self, thing: object) -> None:
        """Send anything that can be pickled; arrays are copied once."""
        views: list[memoryview] = []

        def keep_apart(buffer: pickle.PickleBuffer) -> bool:
            view = buffer.raw()
            if view.nbytes >= _LEAST_BYTES:
                views.append(view)
            return view.nbytes < _LEAST_BYTES

        text = pickle.dumps(thing, protocol=5, buffer_callback=keep_apart)
        if len(text) >= _LEAST_BYTES:
            views.append(memoryview(text))
            text = b""
        place = self._sent % _KEPT * _PLACE_BYTES
        self._sent += 1
        at = place
        for view in views:
            done = 0
            while done < view.nbytes:
                done += os.pwrite(self._outgoing, view[done:], at + done)
            at += view.nbytes
        self.connection.send_bytes(pickle.dumps((place, [view.nbytes for view in views], text)))

    def receive(self) -> Any:
        """Return what the other end sent; raises EOFError where there is none any more."""
        at, sizes, text = pickle.loads(self.connection.recv_bytes())
        buffers: list[memoryview] = []
        for size in sizes:
            buffer, done = np.empty(size, np.uint8).data, 0
            while done < size:
                done += os.preadv(self._incoming, [buffer[done:]], at + done)
            at += size
            buffers.append(buffer)
        return pickle.loads(text or buffers.pop(), buffers=buffers)


@dataclass
class _Worker(Generic[Result]):
    process: int
    line: _Line

    def answer(self) -> Result:
        """Wait for the next result."""
        try:
            well, answer = self.line.receive()
        except (EOFError, OSError) as error:
            wrong = "a process of this run died; lack of memory is likely: use fewer workers"
            raise ChildProcessError(wrong) from error
        if not well:
            raise answer
        return answer  # type: ignore[no-any-return]


class Team(Generic[Item, Result]):
    """So many copies of this process; item after item goes to one after the other."""

    def __init__(self, function: Callable[[Item], Result], workers: int, niceness: int = 0) -> None:
        """Start the processes, that much nicer to others than this one (see `nice`).

        OpenCV works by one thread until they have ended: a copy would wait for ever for threads that it has not got.
        """
        bury(os.WNOHANG)
        # Who first writes to memory after the copy gets a page of it: a fresh one for a quarter of what it takes to
        # copy an old one, of which nobody wants the content.
        _trim()(0)
        self._threads = cv2.getNumThreads()
        cv2.setNumThreads(1)
        self._team: list[_Worker[Result]] = []
        self._files: list[int] = []
        self._given = 0
        for _ in range(workers):
            self._start(function, niceness)

    def give(self, item: Item) -> Callable[[], Result]:
        """Give an item to the next process; return a call that waits for the result. Results are taken in order."""
        worker = self._team[self._given % len(self._team)]
        self._given += 1
        # That it has died is told where its answers are missed.
        with suppress(OSError):
            worker.line.send(item)
        return worker.answer

    def __enter__(self) -> Team[Item, Result]:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for worker in self._team:
            worker.line.connection.close()
            if error is not None:
                os.kill(worker.process, signal.SIGKILL)
            _leaving.add(worker.process)
        for file in self._files:
            os.close(file)
        cv2.setNumThreads(self._threads)

    def _start(self, function: Callable[[Item], Result], niceness: int) -> None:
        ours, theirs = Pipe()
        there, back = os.memfd_create("items"), os.memfd_create("results")
        self._files += [there, back]
        with warnings.catch_warnings():
            # Threads of numerical libraries sleep meanwhile, and may_fork has asked for ours.
            warnings.simplefilter("ignore", DeprecationWarning)
            process = os.fork()
        if process == 0:
            for worker in self._team:
                worker.line.connection.close()
            ours.close()
            os.nice(niceness)
            _serve(function, _Line(theirs, back, there))
        theirs.close()
        self._team.append(_Worker(process, _Line(ours, there, back)))


def _serve(function: Callable[[Any], Any], line: _Line) -> None:
    """Work on what comes through the line until it ends, and leave without a trace."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    # What was there before the copy is no garbage of ours, and looking at it would copy it page by page.
    gc.freeze()
    try:
        while True:
            _answer(function, line)
    finally:
        os._exit(0)


def _answer(function: Callable[[Any], Any], line: _Line) -> None:
    item = line.receive()
    try:
        answer = True, function(item)
    except Exception as error:
        error.add_note(traceback.format_exc())
        answer = False, error
    try:
        line.send(answer)
    except (pickle.PicklingError, TypeError, AttributeError) as error:
        line.send((False, RuntimeError(f"{answer[1]!r} cannot be handed over ({error})")))
