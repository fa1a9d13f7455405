"""Several worker processes on this machine, each on a capture of its own.

Every worker has a pipe of its own, so that one that dies takes down nothing but its capture, and workers whose master
was killed meet the pipe's end and stop. They are spawned, not forked, which works everywhere.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from typing import Any

from stacker.night.hands import Hands, Prepare, Told
from stacker.night.task import LOST, Outcome, Task, do_task

_CLOSING_S = 5.0


@dataclass
class _Worker:
    process: SpawnProcess
    pipe: Connection[Any, Any]
    task: Task | None = None


class Processes(Hands):
    """A fixed number of worker processes, started at once so that their imports run while the night is planned."""

    def __init__(self, count: int, prepare: Prepare, told: Told) -> None:
        """Start `count` workers."""
        self._prepare, self._told = prepare, told
        self._workers = [self._start() for _ in range(count)]

    def free(self) -> int:
        return sum(worker.task is None for worker in self._workers)

    def take(self, task: Task, threads: int) -> None:
        for place, worker in enumerate(self._workers):
            if worker.task is None:
                try:
                    worker.pipe.send((task, threads))
                except OSError:  # it died while it waited
                    worker = self._workers[place] = self._renewed(worker)
                    worker.pipe.send((task, threads))
                worker.task = task
                return
        raise ValueError("no worker is free")

    def gather(self, timeout_s: float) -> list[tuple[Task, Outcome]]:
        busy = {worker.pipe: place for place, worker in enumerate(self._workers) if worker.task}
        done = []
        for pipe in wait(list(busy), timeout_s) if busy else []:
            ended = self._hear(busy[pipe])  # type: ignore[index]
            done += [ended] if ended else []
        return done

    def close(self) -> None:
        for worker in self._workers:
            worker.pipe.close()
            if worker.task is not None:
                worker.process.terminate()
        for worker in self._workers:
            worker.process.join(_CLOSING_S)
            if worker.process.is_alive():
                worker.process.kill()
                worker.process.join()
        self._workers = []

    def _hear(self, place: int) -> tuple[Task, Outcome] | None:
        worker = self._workers[place]
        task = worker.task
        assert task is not None
        try:
            said = worker.pipe.recv()
        except (EOFError, OSError):
            self._workers[place] = self._renewed(worker)
            code = worker.process.exitcode
            return task, Outcome(LOST, f"{task.path}: its worker process died (exit status {code})")
        if isinstance(said, Outcome):
            worker.task = None
            return task, said
        if isinstance(said, float):
            self._told(task.path, said)
        return None

    def _renewed(self, worker: _Worker) -> _Worker:
        worker.pipe.close()
        worker.process.join(_CLOSING_S)
        return self._start()

    def _start(self) -> _Worker:
        context = multiprocessing.get_context("spawn")
        ours, theirs = context.Pipe()
        process = context.Process(target=serve, args=(theirs, self._prepare), daemon=True, name="stillair worker")
        process.start()
        theirs.close()
        return _Worker(process, ours)


def serve(pipe: Connection[Any, Any], prepare: Callable[[], None]) -> None:
    """Do tasks as they come through the pipe, until it ends."""
    try:
        prepare()
        import stacker.pipeline  # noqa: F401 (loaded while the master plans)

        while True:
            task, threads = pipe.recv()
            pipe.send(do_task(task, threads, pipe.send))
    except (EOFError, OSError, KeyboardInterrupt):
        return  # the master is gone, or takes no more
