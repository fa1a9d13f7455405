"""Who does the work: one contract for this process, several processes, or a cluster."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from pathlib import Path
from types import TracebackType

from stacker.night.task import Outcome, Task, do_task

Told = Callable[[Path, float], None]
"""Called with a capture and the share of it that is done."""
Prepare = Callable[[], None]
"""Called once in each process before its first task: settles allocator, threads and the like."""


class Hands(ABC):
    """Take tasks and give back outcomes, in any order."""

    @abstractmethod
    def free(self) -> int:
        """Return how many more tasks can be taken now."""

    @abstractmethod
    def take(self, task: Task, threads: int) -> None:
        """Take a task, to be done with this many threads."""

    @abstractmethod
    def gather(self, timeout_s: float) -> list[tuple[Task, Outcome]]:
        """Return what has been done since the last call; wait up to `timeout_s` seconds for the first."""

    def close(self) -> None:  # noqa: B027 (some have nothing to let go)
        """Let go of processes and connections; work that is under way is dropped."""

    def __enter__(self) -> Hands:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class OwnHands(Hands):
    """This process, one capture after the other."""

    def __init__(self, prepare: Prepare, told: Told) -> None:
        """Prepare this process."""
        prepare()
        self._told = told
        self._next: tuple[Task, int] | None = None

    def free(self) -> int:
        return 0 if self._next else 1

    def take(self, task: Task, threads: int) -> None:
        self._next = (task, threads)

    def gather(self, timeout_s: float) -> list[tuple[Task, Outcome]]:
        if self._next is None:
            return []
        (task, threads), self._next = self._next, None
        return [(task, do_task(task, threads, lambda share: self._told(task.path, share)))]
