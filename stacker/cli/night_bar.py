"""How far a night is: one bar for all captures together on a terminal, silence elsewhere."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Any


class NightBar:
    """Counts work, in pixels of frames, so that a large capture moves the bar as far as it should."""

    def __init__(self) -> None:
        self._shown = sys.stderr is not None and sys.stderr.isatty()
        self._work: dict[Path, float] = {}
        self._shares: dict[Path, float] = {}
        self._bar: Any = None

    def expect(self, work: Mapping[Path, float]) -> None:
        """Say which captures there are, and the work in each."""
        self._work |= work
        self._show()

    def __call__(self, path: Path, share: float) -> None:
        """Say how much of a capture is done, 0 to 1."""
        self._shares[path] = share
        self._show()

    def say(self, words: str, *, error: bool = False) -> None:
        """Print a line without tearing the bar."""
        if self._bar is not None:
            self._bar.clear()
        print(words, file=sys.stderr if error else sys.stdout, flush=True)
        self._show()

    def close(self) -> None:
        """Take the bar off the screen."""
        if self._bar is not None:
            self._bar.close()
            self._bar = None

    def __enter__(self) -> NightBar:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _show(self) -> None:
        total = sum(self._work.values())
        if not self._shown or not total:
            return
        if self._bar is None:
            from tqdm import tqdm

            form = "night: {desc} {percentage:3.0f}%|{bar}| {elapsed}, {remaining} left"
            self._bar = tqdm(total=1.0, bar_format=form, leave=False, file=sys.stderr)
        done = sum(share >= 1 for share in self._shares.values())
        self._bar.set_description_str(f"{done} of {len(self._work)} captures", refresh=False)
        self._bar.n = sum(self._work.get(path, 0.0) * share for path, share in self._shares.items()) / total
        self._bar.refresh()
