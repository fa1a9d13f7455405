"""Small captures that a night is made of."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from stacker.simulation.writing import write_capture

SIZE = 80
Recorder = Callable[..., Path]


def disc_frames(count: int, seed: int, radius: float = 24.0) -> list[np.ndarray[Any, Any]]:
    """A textured disc on a dark sky, dancing a little, with noise: (SIZE, SIZE) uint8."""
    rng = np.random.default_rng(seed)
    rows, columns = np.mgrid[:SIZE, :SIZE].astype(np.float32)
    made = []
    for _ in range(count):
        y, x = rows - 39 - rng.normal(0, 1.0), columns - 41 - rng.normal(0, 1.0)
        disc = 1 / (1 + np.exp(np.hypot(y, x) - radius))
        scene = 10 + disc * (120 + 25 * np.sin(y / 2.5) + 15 * np.sin(x / 3 + y / 6))
        made.append(np.clip(scene + rng.normal(0, 3, scene.shape), 0, 255).astype(np.uint8))
    return made


@pytest.fixture(autouse=True)
def _logbook_aside(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STILLAIR_LOGBOOK", str(tmp_path_factory.mktemp("logbook") / "log.sqlite"))


@pytest.fixture
def record() -> Recorder:
    """Write a capture: `record(path, kind="avi", frames=24, seed=1, age_s=3600, **sidecar tables)`."""
    import os
    import time

    def write(path: Path, kind: str = "avi", frames: int = 24, seed: int = 1, age_s: float = 3600, **said: Any) -> Path:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_capture(path, disc_frames(frames, seed), kind=kind, bits=8)
        if said:
            tables = [
                f"[{table}]\n" + "".join(f"{key} = {value!r}\n" for key, value in keys.items())
                for table, keys in said.items()
            ]
            path.with_name((path.name if path.is_dir() else path.stem) + ".toml").write_text("\n".join(tables))
        then = time.time() - age_s
        for entry in (path, *(path.iterdir() if path.is_dir() else ())):
            os.utime(entry, (then, then))
        return path

    return write


@pytest.fixture
def bytes_of() -> Callable[[Path], dict[str, bytes]]:
    """Return every file of a night's run folders but the metrics, which tell of time and memory."""

    def read(out: Path) -> dict[str, bytes]:
        files = (path for path in sorted(out.rglob("*")) if path.is_file() and path.name != "metrics.json")
        return {path.relative_to(out).as_posix(): path.read_bytes() for path in files}

    return read
