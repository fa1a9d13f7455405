"""How far the work is: a bar on a terminal, silence elsewhere."""

from __future__ import annotations

import sys
from types import TracebackType
from typing import Any


class Progress:
    """Called with (stage in words, done, total); a bar on standard error where that is a terminal."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._stage: str | None = None
        self._bar: Any = None
        self._shown = sys.stderr is not None and sys.stderr.isatty()

    def __call__(self, stage: str, done: int, total: int) -> None:
        """Move the bar; a new stage begins a new one."""
        if not self._shown:
            return
        if stage != self._stage:
            self._begin(stage, total)
        self._bar.update(done - self._bar.n)

    def close(self) -> None:
        """Take the bar off the screen."""
        if self._bar is not None:
            self._bar.close()
            self._bar = None

    def __enter__(self) -> Progress:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _begin(self, stage: str, total: int) -> None:
        from tqdm import tqdm

        # Its watching thread would keep the work from being spread over processes.
        tqdm.monitor_interval = 0
        self.close()
        self._stage = stage
        self._bar = tqdm(total=total, desc=f"{self._name}: {stage}", leave=False, file=sys.stderr, unit=" frames")
